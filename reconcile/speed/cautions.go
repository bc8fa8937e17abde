package speed

import (
	"fmt"
	"slices"
	"strings"
	"time"
)

// From here on a value is told beside the figures (common practice).
const (
	muchLoad = 20              // percent of the processors
	muchBusy = 5               // percent of the time
	muchFull = 90              // percent of the filesystem: drives slow down
	jumpSeen = 3 * time.Second // of the wall clock, which is told in whole seconds
)

// cautions says what a reader of a result's figures must know, each a sentence
// without its end.
func cautions(r *Result) []string {
	var list []string
	say := func(is bool, format string, values ...any) {
		if is {
			list = append(list, fmt.Sprintf(format, values...))
		}
	}
	say(!r.Method.Direct, "it was measured through the system's caches: what answered may be memory")
	list = append(list, r.beyond()...)
	if r.Host != nil {
		say(len(r.Host.Others) > 0, "it was measured while %s ran", strings.Join(r.Host.Others, ", "))
		say(r.Host.Disk != nil && !past(r.Host.Disk.Cache), "the host's memory answers for the virtual disk: its cache mode is %s", ofDisk(func(d *VirtualDisk) string { return d.Cache })(r))
		say(reaches(r.Host.LoadPercent, muchLoad), "the host's processors were busy before it: %s", number(r.Host.LoadPercent, " %"))
	}
	say(r.Host == nil, "lendkeep on the host has not noted what ran beside it, nor how the drive was given")
	say(reaches(r.Around.LoadPercent, muchLoad), "others kept the processors busy before it: %s", number(r.Around.LoadPercent, " %"))
	say(reaches(r.Around.DriveBusyPercent, muchBusy), "others kept the drive busy before it: %s of the time", number(r.Around.DriveBusyPercent, " %"))
	say(reaches(r.Around.StealPercent, muchBusy), "the host took processor time from the guest meanwhile: %s", number(r.Around.StealPercent, " %"))
	say(reaches(r.Around.CachedPercent, 1), "%s of the file was in the system's cache, past which it should have been read", number(r.Around.CachedPercent, " %"))
	say(reaches(r.Around.ZerosPercent, 1), "%s of what was read was nothing but zeros, which a drive may tell without looking", number(r.Around.ZerosPercent, " %"))
	say(reaches(r.Around.FillPercent, muchFull), "the filesystem is nearly full: %s", number(r.Around.FillPercent, " %"))
	jump := r.Clock.jumped()
	say(jump.Abs() >= jumpSeen, "the wall clock was set by %v meanwhile; the times of the runs are of another clock", jump.Round(time.Second))
	if gaps := r.unmeasured(); gaps != "" {
		list = append(list, "not known: "+gaps)
	}
	return list
}

// past says that a cache mode of QEMU passes the host's page cache by (QEMU, "Block
// device options": none and directsync open with O_DIRECT). Every other one, and one
// that nobody knows, counts as memory that answers.
func past(mode string) bool { return mode == "none" || mode == "directsync" }

func reaches(value *int, most int) bool { return value != nil && *value >= most }

// beyond names the series that are faster than the links carry.
func (r *Result) beyond() []string {
	var list []string
	for _, k := range Kinds {
		if cell := cellOf(k, r); cell != nil && cell.Over {
			list = append(list, fmt.Sprintf("%s: %s are more than the links carry (%s): not the drive has answered, but a memory before it",
				k, perSecond(cell.Rate.Most), perSecond(r.Ceiling().Bound())))
		}
	}
	return list
}

// unmeasured names what is among the gaps.
func (r *Result) unmeasured() string {
	var names []string
	for _, g := range r.Gaps {
		if !slices.Contains(names, g.Fact) {
			names = append(names, g.Fact)
		}
	}
	return strings.Join(names, ", ")
}
