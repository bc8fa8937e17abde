// quirk: the kernel's own tables name trouble with a controller that is to be
// lent, or with its kind.
//
// They are lists of devices by vendor and device number: those that a reset of one
// sort breaks or leaves as they were, those that need a reset of their own, those
// whose old-style interrupt (INTx) cannot be masked, those that vfio-pci does not
// bind at all, those that wake up slowly. lendkeep has them from Linux 6.1.192
// (drivers/pci/quirks.c, drivers/vfio/pci); each finding names the function there.
// What the running kernel does about it shows in reset_method: an older one, which
// does not know the device yet, lists a reset that breaks it. A few rows come from
// no source; the finding says so.
//
// Severity: stop where vfio-pci does not bind it; caution where it may break, keep
// what it had, or not start; note where the kernel takes care of it.
//
// Remedy: a newer kernel; else forbid the reset that breaks it, by writing the
// others into its reset_method before a guest starts. Try lending and returning it
// while nothing of value is on it.
package assess

import (
	"fmt"
	"slices"
	"strings"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/quirks"
)

func checkQuirks(c *Case) []Finding {
	var list []Finding
	for _, l := range c.loans() {
		for _, row := range quirks.Of(l.Function) {
			if f, bad := c.quirk(l, row); bad {
				f.At, f.Summary = l.at, shorten(f.Summary)
				f.Detail = row.Says + " " + f.Detail
				f.Causes = append(f.Causes, Cause{row.Source(), l.Kind() + ", " + l.Vendor.String() + ":" + l.Device.String()})
				list = append(list, f)
			}
		}
	}
	return list
}

// breaks tells whether a table says that of a function.
func breaks(f *facts.Function, what quirks.What) bool {
	return slices.ContainsFunc(quirks.Of(f), func(r quirks.Row) bool { return r.What == what })
}

// tryFirst is what a person can do who must know.
const tryFirst = "try lending and returning it while nothing of value is on it"

// quirk says what a row means for a loan on this host; false: nothing.
func (c *Case) quirk(l loan, row quirks.Row) (Finding, bool) {
	switch row.What {
	case quirks.NoBusReset:
		return wrongReset(l, "bus", l.name+" breaks when its bus is reset")
	case quirks.NoPowerReset:
		return wrongReset(l, "pm", l.name+" keeps its contents when reset")
	case quirks.NoFLR:
		return wrongReset(l, "flr", l.name+" may hang when it is reset")
	case quirks.OwnReset:
		return c.ownReset(l)
	case quirks.NoReturn:
		return Finding{Severity: Caution, Summary: l.name + " may not come back",
			Detail:   "Whether this card is one of them only a trial shows.",
			Remedies: []string{tryFirst, "plan shifts so that it stays with one guest until the host is switched off"}}, !l.ResetsAlone()
	case quirks.BrokenINTx:
		return Finding{Severity: Caution, Summary: l.name + " must have its interrupt line alone",
			Detail:   "Where it shares one, QEMU fails to set it up (Device or resource busy), and the guest does not start.",
			Causes:   []Cause{{"/proc/interrupts", "(not looked at: lines are shared out as drivers start)"}},
			Remedies: []string{"see who shares its line: cat /proc/interrupts, and its irq file", "move the card to another slot; work for a powered-off, unplugged machine, by its maker's manual"},
		}, !breaks(l.Function, quirks.HiddenINTx)
	case quirks.Refused:
		return c.refused(l), !l.OnVFIO()
	case quirks.NoTranslation:
		return Finding{Severity: Note, Summary: l.name + " is kept from using ATS",
			Detail: "An older kernel, which does not know that, may let it hang the IOMMU.", Remedies: []string{"keep the host's kernel up to date"}}, true
	case quirks.SlowWake:
		return Finding{Severity: Note, Summary: l.name + " is slow to wake from sleep",
			Detail:   "VFIO puts what it holds to sleep while no guest runs. An older kernel may not wait for it.",
			Causes:   []Cause{causeOf(l.Function, "power_state", l.PowerState)},
			Remedies: []string{"keep the host's kernel up to date", "where it fails all the same, keep VFIO from it: vfio-pci.disable_idle_d3=1 on the kernel's command line"},
		}, true
	}
	return Finding{}, false
}

// refused tells of what vfio-pci does not bind, unless the host tells it to.
func (c *Case) refused(l loan) Finding {
	f := Finding{Severity: l.severity, Summary: l.name + " is refused by vfio-pci",
		Detail:   "The guest cannot start with it.",
		Remedies: []string{"lend another controller", "lend a virtual function of it by a VFIO driver of its maker's, where there is one"}}
	if s, ok := c.Facts.Survey.Machine.Setting("vfio_pci.disable_denylist"); ok && s.On() {
		f.Severity, f.Summary = Caution, l.name+" is unsafe to lend"
		f.Detail = "The host has vfio-pci bind it all the same."
		f.Causes = []Cause{{s.From, s.Name + " " + s.Value}}
	}
	return f
}

// wrongReset tells of a way to reset that the running kernel lists although it is
// known to be none. Where it is not listed the kernel knows it.
func wrongReset(l loan, method, summary string) (Finding, bool) {
	f := Finding{Severity: Caution, Summary: summary,
		Detail:   fmt.Sprintf("The running kernel would do it all the same: it lists %s.", method),
		Causes:   []Cause{causeOf(l.Function, "reset_method", strings.Join(l.ResetMethods, " "))},
		Remedies: []string{"use a kernel that knows it: there " + method + " is not in reset_method", tryFirst}}
	rest := slices.DeleteFunc(slices.Clone(l.ResetMethods), func(m string) bool { return m == method })
	if len(rest) > 0 {
		f.Remedies = slices.Insert(f.Remedies, 0, fmt.Sprintf("allow the others alone until the next boot: echo %s > /sys/bus/pci/devices/%s/reset_method", strings.Join(rest, " "), l.Address))
	}
	return f, len(rest) < len(l.ResetMethods)
}

// ownReset tells whether the running kernel has the reset that a device needs.
// Before 5.15 no kernel says.
func (c *Case) ownReset(l loan) (Finding, bool) {
	methods := causeOf(l.Function, "reset_method", strings.Join(l.ResetMethods, " "))
	switch {
	case l.Gap("reset_method") != nil || !facts.KernelAtLeast(c.Facts.Survey.Machine.Kernel, 5, 15):
		return Finding{}, false
	case slices.Contains(l.ResetMethods, "device_specific"):
		return Finding{Severity: Note, Summary: l.name + " needs a reset of its own", Detail: "The running kernel has it.",
			Causes: []Cause{methods}, Remedies: []string{"leave device_specific the first in its reset_method"}}, true
	default:
		return Finding{Severity: Caution, Summary: l.name + " lacks the reset that it needs", Detail: "The running kernel does not have it, or somebody has taken it out of reset_method.",
			Causes: []Cause{methods}, Remedies: []string{"let the kernel choose again: echo default > /sys/bus/pci/devices/" + l.Address.String() + "/reset_method", "use a newer kernel", tryFirst}}, true
	}
}
