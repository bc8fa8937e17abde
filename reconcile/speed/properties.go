package speed

import (
	"cmp"
	"fmt"
	"strconv"
	"strings"
)

// property is something in which two results can differ.
type property struct {
	name  string
	asked bool
	value func(r *Result) string  // empty: not known; None: it does not apply
	apart func(a, b *Result) bool // nil: two that are not written alike
}

// properties are all of a result but its series, its label, and when it was taken: a
// test walks its fields. Numbers that always move a little count where they are ten
// apart (common practice).
var properties = []property{
	{"drive", true, drive, nil},
	{"firmware of the drive", true, func(r *Result) string { return r.Target.Drive.Firmware }, nil},
	{"size of the drive", true, func(r *Result) string { return bytesOf(r.Target.Drive.SizeBytes) }, nil},
	{"bus", true, func(r *Result) string { return r.Target.Drive.Bus }, nil},
	{"driver", true, driver, nil},
	{"way to the drive", true, wayTo, nil},
	{"measured in", true, where, nil},
	{"given to the guest", true, given, nil},

	{"way of reading and writing", false, func(r *Result) string { return r.Method.Through }, nil},
	{"past the system's caches", false, func(r *Result) string { return yes(r.Method.Direct) }, nil},
	{"with writing", false, func(r *Result) string { return yes(r.Method.Write) }, nil},
	{"writing past the drive's cache", false, func(r *Result) string { return yes(r.Method.WriteThrough) }, nil},
	{"file size", false, func(r *Result) string { return bytesOf(r.Method.FileBytes) }, nil},
	{"runs of a series", false, func(r *Result) string { return strconv.Itoa(r.Method.Runs) }, nil},
	{"time of a run", false, func(r *Result) string { return r.Method.RunLasts.String() }, nil},
	{"what was measured", false, func(r *Result) string { return string(r.Target.Form) }, nil},
	{"filesystem", false, filesystem, nil},
	{"layers below it", false, func(r *Result) string { return listOf(r.Target.Layers) }, nil},
	{"sector size", false, func(r *Result) string { return bytesOf(r.Target.Drive.SectorBytes) }, nil},
	{"image format", false, ofDisk(func(d *VirtualDisk) string { return d.Format }), nil},
	{"cache mode", false, ofDisk(func(d *VirtualDisk) string { return d.Cache }), nil},
	{"way to the image", false, ofDisk(func(d *VirtualDisk) string { return d.IO }), nil},
	{"bus of the virtual disk", false, ofDisk(func(d *VirtualDisk) string { return d.Bus }), nil},
	{"guests beside it", false, others, nil},
	{"fill", false, fill, tenApart(func(r *Result) *int { return r.Around.FillPercent })},
	{"write cache of the drive", false, func(r *Result) string { return r.Around.WriteCache }, nil},
	{"temperature of the drive", false, func(r *Result) string { return number(r.Around.TemperatureC, " C") }, tenApart(func(r *Result) *int { return r.Around.TemperatureC })},
	{"load of the drive", false, func(r *Result) string { return number(r.Around.DriveBusyPercent, " %") }, tenApart(func(r *Result) *int { return r.Around.DriveBusyPercent })},
	{"time that the host took", false, steal, tenApart(func(r *Result) *int { return r.Around.StealPercent })},
	{"of the file in the cache", false, func(r *Result) string { return number(r.Around.CachedPercent, " %") }, tenApart(func(r *Result) *int { return r.Around.CachedPercent })},
	{"zeros read", false, func(r *Result) string { return number(r.Around.ZerosPercent, " %") }, tenApart(func(r *Result) *int { return r.Around.ZerosPercent })},
	{"load", false, func(r *Result) string { return number(r.Around.LoadPercent, " %") }, tenApart(func(r *Result) *int { return r.Around.LoadPercent })},
	{"load of the host", false, ofHost(func(h *Host) string { return number(h.LoadPercent, " %") }), tenApart(func(r *Result) *int { return r.Host.LoadPercent })},
	{"power profile", false, func(r *Result) string { return r.Around.Power }, nil},
	{"power profile of the host", false, ofHost(func(h *Host) string { return h.Power }), nil},
	{"system", false, func(r *Result) string { return words(r.Place.System, r.Place.Name) }, nil},
	{"release of the kernel", false, func(r *Result) string { return r.Place.Release }, nil},
	{"processors", false, func(r *Result) string { return strconv.Itoa(r.Place.Processors) + " " + r.Place.Machine }, nil},
	{"memory", false, memory, nil},
	{"lendkeep-measure", false, func(r *Result) string { return r.Program }, nil},
}

// tenApart compares two values that are known.
func tenApart(of func(r *Result) *int) func(a, b *Result) bool {
	return func(a, b *Result) bool {
		x, y := *of(a), *of(b)
		return max(x, y)-min(x, y) >= 10
	}
}

func words(list ...string) string { return strings.TrimSpace(strings.Join(list, " ")) }

func drive(r *Result) string { return words(r.Target.Drive.Model, r.Target.Drive.Serial) }

func driver(r *Result) string { return words(r.Target.Driver, r.Target.DriverVersion) }

func yes(is bool) string {
	if is {
		return "yes"
	}
	return "no"
}

// bytesOf writes a size so that no two are written alike; empty: not known.
func bytesOf(size int64) string {
	unit := int64(1)
	for size>>10 >= unit {
		unit <<= 10
	}
	switch {
	case size == 0:
		return ""
	case size%unit != 0:
		return fmt.Sprintf("%d bytes", size)
	}
	return sized(size)
}

func listOf(list []string) string { return cmp.Or(strings.Join(list, ", "), "none") }

func number(value *int, unit string) string {
	if value == nil {
		return ""
	}
	return fmt.Sprintf("%d%s", *value, unit)
}

// memory is rounded: kernels keep different parts of it for themselves.
func memory(r *Result) string {
	if r.Place.MemoryBytes == 0 {
		return ""
	}
	return sized(r.Place.MemoryBytes)
}

func filesystem(r *Result) string {
	if r.Target.Form == Device {
		return None
	}
	return r.Target.Filesystem
}

func fill(r *Result) string {
	if r.Target.Form == Device {
		return None
	}
	return number(r.Around.FillPercent, " %")
}

func steal(r *Result) string {
	if r.onHost() {
		return None
	}
	return number(r.Around.StealPercent, " %")
}

// others names the guests that ran, also beside a measurement on the host.
func others(r *Result) string {
	if r.Host == nil {
		return ""
	}
	return listOf(r.Host.Others)
}

// wayTo names the narrowest link: another slot is another question.
func wayTo(r *Result) string {
	c := r.Ceiling()
	if c.Narrowest < 0 {
		return ""
	}
	text := c.Links[c.Narrowest].String()
	if c.PayloadBytes > 0 {
		text += fmt.Sprintf(", packets of %d bytes", c.PayloadBytes)
	}
	return text
}

// where says on which side of which guest's border it was measured.
func where(r *Result) string {
	switch {
	case r.onHost():
		return "the host"
	case r.Host != nil:
		return "guest " + r.Host.Guest
	}
	return string(r.Place.Side)
}

// given says how the drive comes to where it was measured.
func given(r *Result) string {
	switch {
	case r.onHost():
		return None
	case r.Host == nil:
		return ""
	case r.Host.Lent:
		return "lent"
	case r.Host.Disk != nil:
		return "virtual disk " + r.Host.Disk.Name
	}
	return ""
}

func (r *Result) onHost() bool {
	if r.Host != nil {
		return r.Host.Guest == ""
	}
	return r.Place.Side == OnHost
}

// ofDisk asks something of the virtual disk; what its definition leaves to QEMU is
// told so.
func ofDisk(of func(d *VirtualDisk) string) func(r *Result) string {
	return func(r *Result) string {
		switch {
		case r.onHost() || r.Host != nil && r.Host.Lent:
			return None
		case r.Host == nil || r.Host.Disk == nil:
			return ""
		}
		return cmp.Or(of(r.Host.Disk), "left to QEMU")
	}
}

// ofHost asks something of the host below a guest.
func ofHost(of func(h *Host) string) func(r *Result) string {
	return func(r *Result) string {
		switch {
		case r.onHost():
			return None
		case r.Host == nil:
			return ""
		}
		return of(r.Host)
	}
}
