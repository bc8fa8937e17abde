// power: a controller that is to be lent was without power when the host was
// surveyed, or may be.
//
// The kernel takes power from idle functions (D3cold), and VFIO lets it while no
// guest runs (Linux drivers/vfio/pci/vfio_pci_core.c; the module's parameter
// disable_idle_d3 forbids it). What is asked of the function meanwhile wakes it. Some
// do not wake: then it answers nothing but ones, the kernel says "Unable to change
// power state from D3cold to D0, device inaccessible", and nothing of it is known. A
// state of "unknown" is that of many a function that no driver has had yet (measured
// with Linux 6.1): what answers has power.
//
// Severity: caution where not all of it could be read, or its state is none of the
// known ones; note where it was read.
//
// Remedy: keep it awake while you find out: write on to its power/control, or 0 to
// its d3cold_allowed; while it is on VFIO, set vfio-pci.disable_idle_d3=1.
package assess

import (
	"fmt"
	"slices"
)

// awake are the states of functions that have power (Linux drivers/pci/pci.c,
// pci_power_names); empty where the kernel does not say.
var awake = []string{"", "D0", "D1", "D2", "D3hot", "unknown"}

func checkPower(c *Case) []Finding {
	var list []Finding
	for _, l := range c.loans() {
		if f, bad := c.power(l); bad {
			list = append(list, f)
		}
	}
	return list
}

func (c *Case) power(l loan) (Finding, bool) {
	answers := l.Gap("header_type") == nil // which is in its config space
	if slices.Contains(awake, l.PowerState) && (answers || l.PowerState != "unknown") {
		return Finding{}, false
	}
	f := Finding{Severity: Note, At: l.at,
		Summary: shorten(l.name + " was without power"),
		Detail:  "It sleeps in " + l.PowerState + ", and woke when it was asked. Its link and its registers are off in between.",
		Causes:  []Cause{causeOf(l.Function, "power_state", l.PowerState), causeOf(l.Function, "d3cold_allowed", map[bool]string{true: "1", false: "0"}[l.D3cold]), c.idleVFIO()},
		Remedies: []string{"leave it, if it wakes each time",
			fmt.Sprintf("keep it awake: echo on > /sys/bus/pci/devices/%s/power/control", l.Address),
			"keep VFIO from it, too: vfio-pci.disable_idle_d3=1 on the kernel's command line"},
	}
	if l.PowerState != "D3cold" || !answers {
		f.Severity = Caution
		f.Summary = shorten(l.name + " may not wake")
		f.Detail = "Its power state is " + l.PowerState + ", and it may not answer. What is not known counts as in use."
		f.Remedies = f.Remedies[1:]
	}
	return f, true
}

// idleVFIO states what VFIO does with what it holds while no guest runs.
func (c *Case) idleVFIO() Cause {
	s, ok := c.Facts.Survey.Machine.Setting("vfio_pci.disable_idle_d3")
	if !ok {
		return Cause{"/sys/module/vfio_pci/parameters", "disable_idle_d3 not seen; N unless it is set"}
	}
	return Cause{s.From, "disable_idle_d3 " + s.Value}
}
