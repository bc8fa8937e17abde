package measure

import (
	"context"
	"fmt"
	"os"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"

	"lendkeep/reconcile/speed"
)

// outlook is what is seen of where a measurement is taken, and what goes on there.
type outlook struct {
	system
	place  speed.Place
	target speed.Target
	around speed.Around
	first  ticks // when the runs began
}

// quiet is how long is looked at what others do before the first run.
const quiet = time.Second

// lookAround looks before the first run.
func lookAround(ctx context.Context, a Asked, t *target) *outlook {
	o := &outlook{system: system{root: "/"}}
	o.place = o.system.place()
	o.target = speed.Target{Form: a.Form, Path: speed.Text(a.Path)}
	devno := t.devno
	if a.Form == speed.Folder {
		kind, source := o.mounted(t.handle)
		o.target.Filesystem = speed.Text(kind)
		if unix.Major(devno) == 0 {
			devno = numberOf(source)
		}
	}
	o.look(ctx, devno)
	return o
}

// look looks at the drive and waits for what others do.
func (o *outlook) look(ctx context.Context, devno uint64) {
	dir := ""
	if unix.Major(devno) == 0 {
		o.gap("drive", "proc/self/mountinfo", "the filesystem is on no block device of this machine")
	} else if dir = o.drive(devno, &o.target); dir != "" {
		o.around.WriteCache = speed.Text(o.text("write cache", dir, "queue/write_cache"))
		o.around.TemperatureC = o.temperature(dir)
	}
	o.around.Power = o.power()
	busy, began := o.busy(dir), now()
	o.around.LoadPercent, o.first = o.load(ctx)
	if dir != "" {
		o.around.DriveBusyPercent = percent(o.busy(dir)-busy, (now() - began).Milliseconds())
	}
}

// load looks how busy the processors are; the ticks are those at its end.
func (s *system) load(ctx context.Context) (*int, ticks) {
	before := s.ticks()
	select {
	case <-ctx.Done():
	case <-time.After(quiet):
	}
	after := s.ticks()
	return percent(after.busy-before.busy, after.all-before.all), after
}

// Machine looks for a second how busy the processors of this machine are, in percent
// (nil: not known), and names their governors (empty: they have none).
func Machine(ctx context.Context) (load *int, power string) {
	s := system{root: "/"}
	load, _ = s.load(ctx)
	return load, s.power()
}

// after looks once more when all runs are over.
func (o *outlook) after(t *target) {
	last := o.ticks()
	o.around.StealPercent = percent(last.stolen-o.first.stolen, last.all-o.first.all)
	if o.target.Form != speed.Folder {
		return
	}
	cached, err := t.cached()
	if err != nil {
		o.gap("what the system's cache has of the file", o.target.Path, err.Error())
		return
	}
	o.around.CachedPercent = percent(cached, t.bytes)
}

// direct tells whether the file was read past the system's cache as was asked. A page
// or so may be there all the same.
func (o *outlook) direct() bool { return o.around.CachedPercent == nil || *o.around.CachedPercent <= 1 }

// cached counts the bytes of the file that are in the system's cache: with a
// filesystem that keeps to O_DIRECT there are none (mincore(2)).
func (t *target) cached() (int64, error) {
	const window = 1 << 30
	page := int64(os.Getpagesize())
	in := int64(0)
	for at := int64(0); at < t.bytes; at += window {
		length := min(window, t.bytes-at)
		mapped, err := unix.Mmap(t.handle, at, int(length), unix.PROT_READ, unix.MAP_SHARED)
		if err != nil {
			return 0, fmt.Errorf("map the file: %w", err)
		}
		pages := make([]byte, (length+page-1)/page)
		_, _, errno := unix.Syscall(unix.SYS_MINCORE, uintptr(unsafe.Pointer(&mapped[0])), uintptr(length), uintptr(unsafe.Pointer(&pages[0])))
		_ = unix.Munmap(mapped)
		if errno != 0 {
			return 0, fmt.Errorf("ask for the file's pages: %w", errno)
		}
		for _, p := range pages {
			in += int64(p&1) * page
		}
	}
	return min(in, t.bytes), nil
}
