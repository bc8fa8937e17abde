// unguarded: starts of guests that borrow a controller are not checked when
// somebody starts them without lendkeep, or are not checked yet. libvirt goes
// by the address alone and unbinds the driver even under a mounted filesystem;
// what is written afterwards is lost although it seems to succeed (measured
// with libvirt 9.0.0).
//
// lendkeep's guard is a hook that libvirt calls before every start. An order
// installs it, where the guard's program is there, and removes it when nothing
// is lent any more. libvirt looks for hooks when it begins and when it is told
// to reload (libvirt src/util/virhook.c, virHookInitialize); from then on it
// reads the folder at each call. Plugging a device into a running guest calls
// no hook.
//
// Severity: note where the order is all it takes; caution where the guard's
// program is missing, another hook is in its place, nobody may run it, libvirt
// must be reloaded once, or that is not known; stop where the hook is there
// without its program.
//
// Remedy: install the program (the package, or make install), move the other hook away, or reload
// libvirt after the order: systemctl reload libvirtd (virtqemud where libvirt
// runs as several daemons). Until then start such a guest only through an order.
package assess

import (
	"fmt"

	"lendkeep/reconcile/facts"
)

func checkUnguarded(c *Case) []Finding {
	now := c.Facts.Survey.Guard
	switch {
	case !c.Lends():
		return nil
	case !now.Known():
		return []Finding{c.guardFinding(Caution, "whether starts are guarded is not known",
			"The guard is neither installed nor changed by an order while it cannot be read, or others than root may write it.",
			Cause{now.Gaps[0].Path, now.Gaps[0].Reason},
			"run lendkeep as root", "see to the file: it must belong to root, and nobody else may write it")}
	case !now.Ours():
		return []Finding{c.guardFinding(Caution, "another hook sits where the guard belongs",
			"lendkeep replaces no file that it did not write, so starts are not guarded.",
			Cause{facts.GuardHook, "not written by lendkeep"},
			"give that hook another name; libvirt runs every executable file of the folder")}
	case !now.Program && now.Hook != "":
		return []Finding{c.guardFinding(Stop, "the guard's program is missing",
			"Its hook is installed and refuses every guest that borrows a PCI function, since nothing can be checked.",
			Cause{facts.GuardProgram, "(absent)"},
			"install it again: lendkeep's package, or make install in its source")}
	case !now.Program:
		return c.startsUnguarded()
	case !now.Runs():
		return []Finding{c.guardFinding(Caution, "libvirt does not run the guard's hook",
			"libvirt passes over a hook that nobody may run, so until this order has set its permissions no start is checked.",
			Cause{facts.GuardHook, "mode " + string(now.HookMode)},
			"carry the order out, which installs it anew", "chmod 0755 "+facts.GuardHook)}
	case now.Hook == "" && !now.Others:
		return []Finding{c.guardFinding(Caution, "libvirt must be told once of the guard",
			"The order installs the guard of starts. libvirt found no hook when it began and looks again only when it is told to: until then a plain start is not checked. Reloading it touches no guest.",
			Cause{facts.GuardHook, "(absent)"},
			"after the order: systemctl reload libvirtd (virtqemud where libvirt runs as several daemons)")}
	case now.Hook == "":
		return []Finding{c.guardFinding(Note, "starts are guarded from this order on",
			"The order installs a hook beside those that are there; libvirt calls it before every start of a guest.",
			Cause{facts.GuardHook, "(absent)"},
			"nothing is to be done")}
	}
	return nil
}

func (c *Case) guardFinding(severity Severity, summary, detail string, cause Cause, remedies ...string) Finding {
	return Finding{Severity: severity, At: c.Layout.Host.At, Summary: summary, Detail: detail, Causes: []Cause{cause}, Remedies: remedies}
}

// startsUnguarded: without the program there is no guard, and each guest that
// takes a mounted drive away is one to beware of.
func (c *Case) startsUnguarded() []Finding {
	var list []Finding
	for _, found := range c.borrowed() {
		if len(found.Controller.Return.Mounts) == 0 {
			continue
		}
		mount := found.Controller.Return.Mounts[0]
		for _, g := range c.Borrowers(found.Controller.Name) {
			if g.Retired {
				continue
			}
			list = append(list, Finding{Severity: Caution, At: g.At,
				Summary: shorten("start guest " + g.Name + " only through an order"),
				Detail:  fmt.Sprintf("The guard's program is not installed. While controller %s is home its filesystem is mounted; a plain start by libvirt does not unmount it: data is lost.", found.Controller.Name),
				Causes:  []Cause{{facts.GuardProgram, "(absent)"}, {mount.At.String(), "mount " + mount.Path}},
				Remedies: []string{"install the guard's program: lendkeep's package, or make install in its source; the next order then installs the guard",
					"start it by a shift: lendkeep plan LAYOUT --shift NAME -o FILE, then lendkeep apply FILE", "unmount by hand before a plain start"},
			})
		}
	}
	return list
}
