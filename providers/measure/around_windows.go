package measure

import (
	"context"
	"fmt"
	"runtime"
	"time"
	"unsafe"

	"golang.org/x/sys/windows"
	"golang.org/x/sys/windows/registry"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/speed"
)

// outlook is what is seen of where a measurement is taken, and what goes on there.
type outlook struct {
	place  speed.Place
	target speed.Target
	around speed.Around
	gaps   []facts.Gap
}

func (o *outlook) gap(fact, path string, err error) {
	o.gaps = append(o.gaps, gap(fact, path, err.Error()))
}

// quiet is how long is looked at what others do before the first run.
const quiet = time.Second

// lookAround looks before the first run.
func lookAround(ctx context.Context, a Asked, t *target) *outlook {
	o := &outlook{target: speed.Target{Form: a.Form, Path: speed.Text(a.Path)}}
	o.look(t)
	o.place = place()
	o.around.Power = power()
	before := systemTimes()
	select {
	case <-ctx.Done():
	case <-time.After(quiet):
	}
	after := systemTimes()
	o.around.LoadPercent = percent(int64(after.busy-before.busy), int64(after.all-before.all))
	return o
}

// look finds the drive.
func (o *outlook) look(t *target) {
	if o.target.Form == speed.Device {
		o.drive(t.number)
		return
	}
	volume, kind, err := volumeOf(t.path)
	o.target.Filesystem = kind
	if err != nil {
		o.gap("drive", t.path, err)
		return
	}
	o.gap("layers between filesystem and drive", volume, fmt.Errorf("whether the volume is encrypted was not asked"))
	on, err := drivesOf(volume)
	if err == nil && len(on) != 1 {
		err = fmt.Errorf("%d drives share the work", len(on))
	}
	if err != nil {
		o.gap("drive", volume, err)
		return
	}
	o.drive(on[0])
}

// after looks once more when all runs are over: of the system's cache and of what a
// host takes Windows tells nothing.
func (o *outlook) after(*target) {}

// direct: Windows refuses what it cannot do unbuffered.
func (o *outlook) direct() bool { return true }

type times struct{ busy, all time.Duration }

var getSystemTimes = kernel32.NewProc("GetSystemTimes")

// systemTimes gives how long all processors were busy; what the system itself used has
// the idle time in it (GetSystemTimes).
func systemTimes() times {
	var idle, kernel, user windows.Filetime
	_, _, _ = getSystemTimes.Call(uintptr(unsafe.Pointer(&idle)), uintptr(unsafe.Pointer(&kernel)), uintptr(unsafe.Pointer(&user))) // without an answer nothing is known
	all := hundreds(kernel) + hundreds(user)
	return times{all - hundreds(idle), all}
}

// memoryStatus is MEMORYSTATUSEX (sysinfoapi.h).
type memoryStatus struct {
	length, load uint32
	physical     uint64
	_            [6]uint64
}

var memoryStatusEx = kernel32.NewProc("GlobalMemoryStatusEx")

// place tells what system this is.
func place() speed.Place {
	v := windows.RtlGetVersion()
	const current = `SOFTWARE\Microsoft\Windows NT\CurrentVersion`
	p := speed.Place{Name: windowsName(fromRegistry(current, "ProductName"), v.BuildNumber), Release: fmt.Sprintf("%d.%d.%d", v.MajorVersion, v.MinorVersion, v.BuildNumber)}
	if k, err := registry.OpenKey(registry.LOCAL_MACHINE, current, registry.QUERY_VALUE); err == nil {
		if revision, _, err := k.GetIntegerValue("UBR"); err == nil {
			p.Release += fmt.Sprintf(".%d", revision)
		}
		_ = k.Close() // it was read
	}
	status := memoryStatus{length: uint32(unsafe.Sizeof(memoryStatus{}))}
	if ok, _, _ := memoryStatusEx.Call(uintptr(unsafe.Pointer(&status))); ok != 0 {
		p.MemoryBytes = int64(status.physical)
	}
	return p
}

var (
	powrprof      = windows.NewLazySystemDLL("powrprof.dll")
	activeScheme  = powrprof.NewProc("PowerGetActiveScheme")
	friendlyName  = powrprof.NewProc("PowerReadFriendlyName")
	schemeMostLen = uint32(512)
)

// power names the power scheme (powrprof.h); empty: not known.
func power() string {
	if activeScheme.Find() != nil || friendlyName.Find() != nil {
		return ""
	}
	var scheme *windows.GUID
	if failed, _, _ := activeScheme.Call(0, uintptr(unsafe.Pointer(&scheme))); failed != 0 || scheme == nil {
		return ""
	}
	defer windows.LocalFree(windows.Handle(unsafe.Pointer(scheme)))
	name := make([]uint16, schemeMostLen/2)
	size := schemeMostLen
	failed, _, _ := friendlyName.Call(0, uintptr(unsafe.Pointer(scheme)), 0, 0, uintptr(unsafe.Pointer(&name[0])), uintptr(unsafe.Pointer(&size)))
	runtime.KeepAlive(scheme)
	if failed != 0 {
		return speed.Text(scheme.String())
	}
	return speed.Text(windows.UTF16ToString(name))
}
