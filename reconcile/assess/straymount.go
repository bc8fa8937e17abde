// stray-mount: something that the layout does not state is mounted below the place
// of a return mount, or at it, under it. Nobody unmounts it before the drive is
// lent, and the kernel does not let go of a filesystem that another is mounted in;
// mounted over it, the drive would hide it. An automount at that place would mount
// the drive again at any moment.
//
// Severity: stop.
//
// Remedy: unmount it, stop its automount unit and take it out of /etc/fstab, or
// choose another place in the layout.
package assess

import (
	"lendkeep/reconcile/facts"
	"lendkeep/spec"
)

func checkStrayMounts(c *Case) []Finding {
	var list []Finding
	told := map[*facts.Mount]bool{}
	for i := range c.Layout.Controllers {
		for _, rule := range c.Layout.Controllers[i].Return.Mounts {
			crowd := c.Facts.Crowd(rule.Path)
			if m := c.Facts.MountAt(rule.Path); m != nil {
				crowd = append(crowd, m)
			}
			for _, m := range crowd {
				if !told[m] && c.intrudes(m) {
					told[m] = true
					list = append(list, c.strayFinding(rule, m))
				}
			}
		}
	}
	return list
}

func (c *Case) strayFinding(rule spec.Mount, m *facts.Mount) Finding {
	f := Finding{Severity: Stop, At: rule.At, Causes: []Cause{{"/proc/self/mountinfo", m.Source + " (" + m.Kind + ") at " + m.Path}}}
	f.Summary = shorten(m.Kind + " at " + m.Path + " is not stated")
	f.Detail = "It is mounted in " + rule.Path + ", which the layout has mounted and unmounted: that fails while it is there."
	f.Remedies = []string{"unmount " + m.Path}
	if m.Path == rule.Path {
		f.Detail = "Another filesystem is mounted over it. Once that is unmounted, " + rule.Path + " is not empty, or is mounted again by itself."
		f.Remedies = []string{"unmount " + m.Path + " until nothing is mounted there"}
	}
	if m.Kind == "autofs" {
		f.Remedies = []string{"take x-systemd.automount out of the line of " + m.Path + " in /etc/fstab, and stop its automount unit"}
	}
	f.Remedies = append(f.Remedies, "choose another place in the layout")
	return f
}

// intrudes tells whether a mount of the host is below the place of a return
// mount, or at it, and no return rule makes it. What is uppermost at the place of
// a drive that is here is return-mount's to judge.
func (c *Case) intrudes(m *facts.Mount) bool {
	if _, below := c.returnMount(m.Path); !below || m.Elsewhere != "" {
		return false
	}
	owner := c.mounts[m.Path]
	if owner == nil || c.Facts.MountAt(m.Path) != m {
		return true
	}
	found := c.found[owner.Name]
	return found.Function != nil && found.Function.NVMe == nil && !c.declaredMount(found, m)
}
