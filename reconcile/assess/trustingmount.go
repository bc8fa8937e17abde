// trusting-mount: set-user-ID files or device nodes of a return mount mean
// something on the host. Whoever borrows the drive writes what lies on it: a guest
// could leave a program there that runs as root for any user of the host who
// starts it, or a node of any of the host's disks. An order and the guard mount
// with nosuid and nodev unless the layout says otherwise; what is mounted already
// they leave as it is until it is unmounted for a lend.
//
// Severity: caution.
//
// Remedy: take suid and dev out of the options, unless programs or devices of the
// host lie there; remount what is mounted without nosuid and nodev, and put them
// into its line of /etc/fstab.
package assess

import (
	"fmt"
	"strings"

	"lendkeep/spec"
	"lendkeep/spec/plain"
)

func checkTrustingMounts(c *Case) []Finding {
	var list []Finding
	for i := range c.Layout.Controllers {
		found := c.Found(c.Layout.Controllers[i].Name)
		for _, rule := range found.Controller.Return.Mounts {
			if f, bad := c.trustingMount(found, rule); bad {
				list = append(list, f)
			}
		}
	}
	return list
}

func (c *Case) trustingMount(found Found, rule spec.Mount) (Finding, bool) {
	f := Finding{Severity: Caution, At: rule.At}
	const detail = "Files on it may run as root for whoever starts them, or be devices of the host (%s). Guests that borrow %s can write such files."
	if stated := spec.Trusts(rule.Options); len(stated) > 0 {
		f.Summary = shorten("files of guests at " + rule.Path + " are trusted")
		f.Detail = fmt.Sprintf(detail, strings.Join(stated, ", "), found.Controller.Name)
		f.Causes = []Cause{{rule.At.String(), "options " + strings.Join(rule.Options, ", ")}}
		f.Remedies = []string{"take " + strings.Join(stated, " and ") + " out of options, unless programs or devices of the host lie there"}
		return f, true
	}
	m := c.Facts.MountAt(rule.Path)
	if m == nil || found.Function == nil || !c.declaredMount(found, m) {
		return f, false
	}
	now := spec.Trusts(m.Options)
	if len(now) == 0 {
		return f, false
	}
	lacks := "no" + strings.Join(now, ",no")
	f.Summary = shorten(rule.Path + " is mounted without " + lacks)
	f.Detail = fmt.Sprintf(detail, strings.Join(now, ", "), found.Controller.Name) + " lendkeep mounts it with " + lacks + " the next time; as it is now it stays."
	f.Causes = []Cause{{"/proc/self/mountinfo", m.Path + " " + strings.Join(m.Options, ",")}}
	f.Remedies = []string{"mount -o remount," + lacks + " " + plain.Quoted(rule.Path), "put " + lacks + " into its line of /etc/fstab, where it has one"}
	return f, true
}
