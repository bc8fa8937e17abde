// locked-memory: a guest with a lent device may not lock as much memory as it
// must, or those of a shift together not as much as all guests may have.
//
// All memory of such a guest is locked, and the kernel counts that against a limit
// (RLIMIT_MEMLOCK, Linux drivers/vfio/vfio_iommu_type1.c) which libvirt sets when it
// starts QEMU: to `<hard_limit>` where the definition has one, else to the guest's
// memory and 1 GiB (libvirt tests/qemumemlocktest.c: hardlimit, hostdev). With less
// than its memory the guest does not start ("Cannot allocate memory"); as the same
// limit bounds all that QEMU has, one that is close to it lets the kernel kill QEMU
// later (libvirt domain format, "Memory Tuning"). A guest with an IOMMU of its own
// locks its memory once for each device (from memory). A libvirt that runs for one
// user cannot raise the limit (from memory).
//
// Guests are in machine.slice unless they say otherwise (libvirt, "Control Groups
// Resource Management"). Where that has a limit, memory.max, the kernel kills one of
// them when they need more, and what is locked cannot be taken from any; huge pages do
// not count (Linux Documentation/admin-guide/cgroup-v2.rst).
//
// Severity: stop where the guests cannot run, and the order would start them; caution.
//
// Remedy: take `<hard_limit>` out of the definition, or raise it; likewise MemoryMax of
// machine.slice.
package assess

import (
	"fmt"
	"strings"

	"lendkeep/reconcile/facts"
	"lendkeep/spec"
	"lendkeep/spec/plain"
)

// besides is what libvirt lets a guest lock besides its memory (libvirt
// tests/qemumemlocktest.c, pc-hostdev: 2 GiB for a guest of 1 GiB).
const besides = 1 << 30

func checkLocked(c *Case) []Finding {
	var list []Finding
	borrower := false
	for i := range c.Layout.Guests {
		g := &c.Layout.Guests[i]
		d := c.willHave(g)
		if g.Retired || d == nil || len(d.Hostdevs) == 0 {
			continue
		}
		borrower = true
		if f, bad := c.limited(g, d); bad {
			list = append(list, f)
		}
	}
	if uri, _, _ := strings.Cut(c.Facts.Survey.Libvirt.URI, "?"); borrower && strings.HasSuffix(uri, "/session") {
		list = append(list, Finding{Severity: Caution, At: c.Layout.Host.At,
			Summary:  "libvirt of one user may not lock memory",
			Detail:   "It cannot raise the limit for what QEMU locks, which is a few MiB where nobody raised it for that user.",
			Causes:   []Cause{{"libvirt", uri}},
			Remedies: []string{`use libvirt of the system: libvirt = "qemu:///system" in host ` + c.Layout.Host.Name, "raise memlock for that user: limits.conf(5)"}})
	}
	if c.Shift == nil {
		list = append(list, c.overLimit(nil, "what would run", c.Layout.Host.At)...)
	}
	for i := range c.Layout.Shifts {
		s := &c.Layout.Shifts[i]
		list = append(list, c.overLimit(s, "shift "+s.Name, s.At)...)
	}
	return list
}

// overLimit holds what the guests of a shift lock against what all guests may have.
func (c *Case) overLimit(shift *spec.Shift, name string, at spec.Place) []Finding {
	limit, locked := c.Facts.Survey.Machine.LimitBytes, uint64(0)
	if limit == 0 {
		return nil
	}
	var who []string
	for _, one := range c.claimants(shift) {
		if one.pins && one.huge < one.bytes {
			locked += min(one.bytes-one.huge, mostRegion)
			who = append(who, one.name)
		}
	}
	if locked < limit {
		return nil
	}
	f := Finding{Severity: Caution, At: at,
		Summary:  shorten(name + " locks more than all guests may have"),
		Detail:   "What is locked cannot be taken from a guest, so the kernel kills one of them.",
		Causes:   []Cause{{facts.GuestsLimit, facts.Size(limit)}, {at.String(), fmt.Sprintf("locked %s: %s", facts.Size(locked), strings.Join(who, ", "))}},
		Remedies: []string{"put the guests into different shifts", "raise the limit: systemctl set-property machine.slice MemoryMax=" + fmt.Sprint(locked+locked/4)}}
	if shift == c.Shift {
		f.Severity = Stop
	}
	return []Finding{f}
}

// limited tells of a hard limit that is too close to what a guest must lock.
func (c *Case) limited(g *spec.Guest, d *facts.Definition) (Finding, bool) {
	limit, times := d.Addressing.LimitBytes, uint64(1)
	if d.Addressing.IOMMU {
		times = uint64(len(d.Hostdevs))
	}
	must := min(d.MemoryBytes, mostRegion) * times
	f := Finding{Severity: Caution, At: g.At,
		Causes:   []Cause{{"definition of guest " + g.Name, fmt.Sprintf("<hard_limit> %s, memory %s, %s", facts.Size(limit), facts.Size(d.MemoryBytes), plain.Count(len(d.Hostdevs), "lent device"))}},
		Remedies: []string{"take <hard_limit> out of its <memtune>: virsh edit " + plain.Quoted(g.Name), fmt.Sprintf("raise it to %s", facts.Size(must+besides))}}
	switch {
	case limit == 0 || limit >= must+besides:
		return Finding{}, false
	case limit <= d.MemoryBytes:
		f.Severity = c.severityOf(g)
		f.Summary = shorten("guest " + g.Name + " may not lock its memory")
		f.Detail = fmt.Sprintf("Its hard limit of %s is no more than its memory, all of which is locked: it cannot start.", facts.Size(limit))
	case limit <= must:
		f.Summary = shorten("guest " + g.Name + " may lack memory to lock")
		f.Detail = fmt.Sprintf("It has an IOMMU of its own, so its memory is locked once for each device: %s, and its hard limit is %s.", facts.Size(must), facts.Size(limit))
	default:
		f.Summary = shorten("the hard limit of guest " + g.Name + " is close")
		f.Detail = fmt.Sprintf("Of %s, %s are locked for its devices. QEMU's own needs may go beyond the rest, and the kernel kills it then.", facts.Size(limit), facts.Size(must))
	}
	return f, true
}
