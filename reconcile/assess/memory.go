// memory: the guests of a shift that borrow controllers need more memory than
// the host has.
//
// A guest with a lent device has all its memory pinned, since the device may
// write to any of it at any time (Linux Documentation/driver-api/vfio.rst), so
// nothing of it can be swapped out or shared. The guests without one can at
// least be squeezed.
package assess

import (
	"fmt"

	"lendkeep/reconcile/facts"
	"lendkeep/spec"
)

func checkMemory(c *Case) []Finding {
	have := c.Facts.Survey.Machine.MemoryBytes
	if have == 0 {
		return nil
	}
	var list []Finding
	for i := range c.Layout.Shifts {
		s := &c.Layout.Shifts[i]
		var pinned, all uint64
		for _, ref := range s.Guests {
			g := c.Stated(ref.Name)
			size := c.memoryOf(g)
			all += size
			if len(g.Borrows) > 0 {
				pinned += size
			}
		}
		f := Finding{Severity: Caution, At: s.At,
			Causes: []Cause{{"/proc/meminfo", "MemTotal " + Size(have)}, {s.At.String(), fmt.Sprintf("pinned %s, all guests %s", Size(pinned), Size(all))}},
		}
		switch {
		case pinned >= have:
			f.Severity = Stop
			f.Summary = shorten("shift " + s.Name + " pins more memory than the host has")
			f.Detail = "The memory of guests with lent devices is pinned; the host would run out of it, and kill something."
			f.Remedies = []string{"give the guests less memory", "put them into different shifts"}
		case all >= have:
			f.Summary = shorten("shift " + s.Name + " needs more memory than there is")
			f.Detail = "Part of it would have to be swapped, and none of the pinned part can be."
			f.Remedies = []string{"give the guests less memory", "put them into different shifts"}
		default:
			continue
		}
		if c.Shift != nil && c.Shift != s && f.Severity == Stop {
			f.Severity = Caution
		}
		list = append(list, f)
	}
	return list
}

func (c *Case) memoryOf(g *spec.Guest) uint64 {
	if g.Memory != nil {
		return g.Memory.SizeBytes
	}
	if known := c.Facts.Guest(g.Name); known != nil && known.Kept != nil {
		return known.Kept.MemoryBytes
	}
	return 0
}

// Size gives a size in bytes for people, in binary units.
func Size(bytes uint64) string { return facts.Size(bytes) }
