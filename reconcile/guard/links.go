package guard

import "fmt"

// links refuses a guest that a name on a return mount leads away from there:
// whoever borrows the drive writes what lies on it, links too. QEMU would open any
// file of the host that such a link names, and libvirt make it the guest's own.
func (b *before) links() error {
	named := b.call.Definition.Paths()
	for i := range b.rules.Controllers {
		c := &b.rules.Controllers[i]
		for _, m := range c.Mounts {
			for _, name := range named {
				switch to, unknown := b.ix.LedOut(name, m.Path); {
				case to != "":
					return fmt.Errorf("a link on %s, which guests with controller %s can write, leads its %s to %s", m.Path, c.Identity.Controller, name, to)
				case unknown != "":
					return fmt.Errorf("where its %s on %s leads is not known: %s", name, m.Path, unknown)
				}
			}
		}
	}
	return nil
}
