// unguarded: nothing checks a guest that borrows a controller when somebody
// starts it without lendkeep. libvirt goes by the address alone and unbinds
// the driver even under a mounted filesystem; what is written afterwards is
// lost although it seems to succeed (measured with libvirt 9.0.0).
package assess

func checkUnguarded(c *Case) []Finding {
	var list []Finding
	for _, found := range c.borrowed() {
		if len(found.Controller.Return.Mounts) == 0 {
			continue
		}
		for _, g := range c.Borrowers(found.Controller.Name) {
			if g.Retired {
				continue
			}
			list = append(list, Finding{Severity: Caution, At: g.At,
				Summary:  shorten("start guest " + g.Name + " only through an order"),
				Detail:   "While controller " + found.Controller.Name + " is home its filesystem is mounted. A plain start by libvirt does not unmount it: data is lost.",
				Causes:   []Cause{{found.Controller.Return.Mounts[0].At.String(), "mount " + found.Controller.Return.Mounts[0].Path}},
				Remedies: []string{"start it by a shift: lendkeep plan --shift NAME, then lendkeep apply", "unmount by hand before a plain start", "do not let the guest start with the host"},
			})
		}
	}
	return list
}
