package twin

import (
	"fmt"
	"regexp"
	"strings"

	"lendkeep/reconcile/facts"
)

// card copies an endpoint with its drives; its place on the bus is as it was.
func (c *copying) card(f *facts.Function) Part {
	at := f.Address
	p := Part{Kind: kindOf(f), Slot: at.Slot, Function: at.Function, Of: &at, Own: f == c.own}
	if f == c.channel {
		p.Kind = Channel
	}
	var exact bool
	if p.Held, exact = holdingOf(f); !exact {
		c.unlike.add("driver", at.String(), "the nearest that Linux has for QEMU's device", "whether its group may be lent")
	}
	if p.Kind == NVMe {
		p.Serial = c.serial(f)
	}
	p.Disks = c.disks(f, p)
	return p
}

// serial gives the serial of a controller: what it says of itself, or while it is
// lent what the guest's note says, or the guard's rules.
func (c *copying) serial(f *facts.Function) string {
	serial := ""
	if f.NVMe != nil {
		serial = f.NVMe.Serial
	} else if serial = c.noted(f.Address); serial == "" {
		if r := c.ruled(f.Address); r != nil {
			serial = r.Identity.Serial
		}
	}
	if isSerial(serial) {
		return serial
	}
	at := f.Address
	made := fmt.Sprintf("TWIN-%04x%02x%02x%x", at.Segment, at.Bus, at.Slot, at.Function)
	c.unlike.add("serial", at.String(), made, "how a layout finds it")
	return made
}

// noted gives the serial that the guest which has a controller knows it by; empty
// where none has it, or does not say.
func (c *copying) noted(at facts.Address) string {
	for _, g := range c.ix.Keepers(at) {
		for _, d := range g.Definitions() {
			for _, r := range d.Identities {
				if r.Address == at && r.Serial != "" {
					return r.Serial
				}
			}
		}
	}
	return ""
}

// isSerial tells whether a drive can have that serial: NVM Express Base
// Specification 1.4, figure 247 (bytes 23:04): 20 ASCII characters, padded with
// spaces, which are no part of it.
func isSerial(text string) bool {
	if text == "" || len(text) > 20 || strings.TrimSpace(text) != text {
		return false
	}
	return strings.IndexFunc(text, func(r rune) bool { return r < ' ' || r > '~' }) < 0
}

// plainSerial is what may stand on the kernel's command line, where the machine is
// told by its serial which drive it runs from.
var plainSerial = regexp.MustCompile(`^[A-Za-z0-9._-]{1,20}$`)

// ownDrive gives the controller of the only drive from which the host runs, where
// the machine can run from one like it.
func (c *copying) ownDrive() *facts.Function {
	root := c.ix.MountAt("/")
	if root == nil {
		return nil
	}
	var found *facts.Function
	for _, b := range c.drivesOf(root) {
		if b.Controller == nil {
			return nil
		}
		f := c.ix.Function(*b.Controller)
		if f == nil || found != nil && found != f {
			return nil
		}
		found = f
	}
	if found == nil || found.NVMe == nil || found.Driver != "nvme" || found.Parent != nil || len(found.NVMe.Namespaces) != 1 ||
		!plainSerial.MatchString(found.NVMe.Serial) || len(c.ix.BySerial(found.NVMe.Serial)) != 1 {
		return nil
	}
	return found
}

// drivesOf gives the whole drives that a mounted filesystem lies on.
func (c *copying) drivesOf(m *facts.Mount) []*facts.Block {
	var drives []*facts.Block
	seen := map[string]bool{}
	var down func(b *facts.Block)
	down = func(b *facts.Block) {
		if b == nil || seen[b.Name] {
			return
		}
		seen[b.Name] = true
		lower := c.lower[b.Name]
		for _, l := range lower {
			down(l)
		}
		if b.Whole != "" {
			down(c.ix.Block(b.Whole))
		} else if len(lower) == 0 {
			drives = append(drives, b)
		}
	}
	for _, name := range m.Devices {
		down(c.ix.Block(name))
	}
	down(c.byNumber[m.Devno])
	return drives
}

// ownSerial gives the serial of an own drive that is added: one that no other has.
func (c *copying) ownSerial() string {
	serial := "TWIN-SYSTEM"
	for i := 2; len(c.ix.BySerial(serial)) > 0; i++ {
		serial = fmt.Sprintf("TWIN-SYSTEM-%d", i)
	}
	return serial
}
