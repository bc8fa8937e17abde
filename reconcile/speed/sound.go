package speed

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"time"

	"lendkeep/spec/plain"
)

// Ways are how reads and writes may reach the system: Linux by two kernel
// interfaces or by as many threads as operations under way, Windows by a completion
// port, since without one it does one operation of a file after the other.
var Ways = []string{"io_uring", "libaio", "threads", "completion port"}

// Bounds of what a result may say, far beyond what there is: they keep sums from
// running over and refuse what no machine can have measured.
const (
	MaxRuns       = 20 // of a series; ways counts exactly up to here
	maxProcessors = 1 << 16
	maxBytes      = 1 << 60
	longest       = 24 * time.Hour // a whole measurement
	longestRun    = time.Hour      // one run
	longestBoot   = 100 * 365 * 24 * time.Hour
	fastest       = 1 << 40 // bytes a second: eight times the widest link of 64 GT/s
	listLength    = 100     // gaps, layers, other guests
)

// sound says what is wrong with a result that was read: values out of their range,
// or that contradict each other.
func (r Result) sound() error {
	return cmp.Or(r.texts(), r.Clock.sound(), r.Place.sound(), r.Target.sound(), r.Method.sound(), r.Around.sound(), r.Host.sound(), r.side(), within("gaps", len(r.Gaps), 0, listLength), r.series())
}

// side holds what the program was told against what the host says.
func (r Result) side() error {
	if h := r.Host; h != nil && (r.Place.Side == Guest && h.Guest == "" || r.Place.Side == OnHost && h.Guest != "") {
		return fmt.Errorf("place side: %q, and the host says that it was measured in %s", r.Place.Side, where(&r))
	}
	return nil
}

func (c Clock) sound() error {
	first, last := time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC), time.Date(2200, 1, 1, 0, 0, 0, 0, time.UTC)
	for name, at := range map[string]time.Time{"began": c.Began, "ended": c.Ended} {
		if at.Before(first) || at.After(last) || at.Location() != time.UTC || at.Nanosecond() != 0 {
			return fmt.Errorf("clock %s: want UTC, whole seconds, from 2000 to 2200", name)
		}
	}
	return cmp.Or(within("clock boot_ns", c.Boot, 0, longestBoot), within("clock took_ns", c.Took, 1, longest))
}

func (p Place) sound() error {
	return cmp.Or(
		oneOf("place side", p.Side, "", Guest, OnHost),
		oneOf("place system", p.System, "linux", "windows"),
		oneOf("place machine", p.Machine, "amd64", "arm64"),
		within("place processors", p.Processors, 1, maxProcessors),
		within("place memory_bytes", p.MemoryBytes, 0, maxBytes))
}

func (t Target) sound() error {
	return cmp.Or(
		oneOf("target form", t.Form, Folder, Device),
		within("target layers", len(t.Layers), 0, listLength),
		within("target drive size_bytes", t.Drive.SizeBytes, 0, maxBytes),
		within("target drive sector_bytes", t.Drive.SectorBytes, 0, 1<<20))
}

func (m Method) sound() error {
	return cmp.Or(
		oneOf("method through", m.Through, Ways...),
		within("method file_bytes", m.FileBytes, 1<<20, maxBytes),
		within("method written_bytes", m.Written, 0, maxBytes),
		within("method runs", m.Runs, 1, MaxRuns),
		within("method run_lasts_ns", m.RunLasts, 1, longestRun))
}

func (a Around) sound() error {
	return cmp.Or(
		percent("around load_percent", a.LoadPercent),
		percent("around drive_busy_percent", a.DriveBusyPercent),
		percent("around fill_percent", a.FillPercent),
		percent("around steal_percent", a.StealPercent),
		percent("around cached_percent", a.CachedPercent),
		percent("around zeros_percent", a.ZerosPercent),
		maybe("around temperature_c", a.TemperatureC, -100, 1000))
}

func (h *Host) sound() error {
	switch {
	case h == nil:
		return nil
	case h.Lent && h.Disk != nil:
		return errors.New("host: the drive is lent and a virtual disk")
	case h.Guest == "" && (h.Lent || h.Disk != nil):
		return errors.New("host: without a guest, nothing is lent to one")
	case !slices.IsSorted(h.Others) || slices.Contains(h.Others, h.Guest):
		return errors.New("host others: want them sorted, without the guest itself")
	}
	return cmp.Or(within("host others", len(h.Others), 0, listLength), percent("host load_percent", h.LoadPercent), h.Way.sound())
}

// sound takes every speed: of one that is not known nothing is reckoned.
func (w *Way) sound() error {
	if w == nil {
		return nil
	}
	err := cmp.Or(within("host way links", len(w.Links), 1, listLength), within("host way payload_bytes", w.PayloadBytes, 0, 4096))
	for _, l := range w.Links {
		err = cmp.Or(err, within("host way speed_mtps", l.SpeedMTps, 0, 1e6), within("host way width", l.Width, 0, 32))
	}
	return err
}

func percent(name string, value *int) error { return maybe(name, value, 0, 100) }

func maybe(name string, value *int, least, most int) error {
	if value == nil {
		return nil
	}
	return within(name, *value, least, most)
}

func within[T cmp.Ordered](name string, value, least, most T) error {
	if value < least || value > most {
		return fmt.Errorf("%s: %v is not from %v to %v", name, value, least, most)
	}
	return nil
}

func oneOf[T ~string](name string, value T, all ...T) error {
	if !slices.Contains(all, value) {
		var names []string
		for _, one := range all {
			names = append(names, string(one))
		}
		return fmt.Errorf("%s: %.40q is none of %s", name, string(value), plain.Names(names))
	}
	return nil
}
