package guard

import (
	"fmt"

	"lendkeep/reconcile/facts"
)

// underVirtuals refuses to take a function from under its virtual ones. The kernel
// binds none to VFIO that has them (Linux drivers/vfio/pci/vfio_pci_core.c), but
// libvirt takes it from its driver first: all of them go offline, that of a running
// guest too (measured with libvirt 9.0.0 and Linux 6.1).
func (b *before) underVirtuals(f *facts.Function) error {
	made, gap := b.ix.MakesVirtual(f)
	if gap != nil {
		return fmt.Errorf("whether %s has virtual functions is not known: %s: %s", f.Title(), gap.Path, gap.Reason)
	}
	if made != 0 {
		return fmt.Errorf("%s has virtual functions (%d); they would all go offline when it leaves the host's driver, and the kernel does not lend it while it has them", f.Title(), made)
	}
	return nil
}

// fromTheCard tells whether what makes a virtual function is what the rules have of it:
// one of a card's kind may be another card.
func (b *before) fromTheCard(meant facts.Identity) error {
	parent := b.rules.ByName()[meant.Virtual.Controller]
	if !meant.IsVirtual() || parent == nil {
		return nil
	}
	if _, f, _ := b.ix.Where(meant.Virtual.Parent()); f != nil {
		if err := parent.alike(f); err != nil {
			return err
		}
		return b.oneOfItsKind(*parent, f)
	}
	return nil
}

// withParent refuses to lend a virtual function while what has made it is not with a
// driver of the host's: the kernel gives it to nobody then (Linux
// drivers/vfio/pci/vfio_pci_core.c, vfio_pci_validate_vf_token), but libvirt takes it
// from the host first.
func (b *before) withParent(f *facts.Function) error {
	if gap := f.Gap("parent"); gap != nil {
		return fmt.Errorf("whether %s is a virtual function is not known: %s: %s", f.Title(), gap.Path, gap.Reason)
	}
	if f.Parent == nil {
		return nil
	}
	for _, g := range b.call.Granted {
		if g.of(*f.Parent) {
			return fmt.Errorf("guest %s, which is being started, was granted %s, which has made %s", g.Guest, f.Parent, f.Address)
		}
	}
	parent := b.ix.Function(*f.Parent)
	switch {
	case parent == nil:
		return fmt.Errorf("%s is a virtual function of %s, which is not to be seen", f.Title(), f.Parent)
	case parent.Gap("driver") != nil:
		return fmt.Errorf("%s is a virtual function of %s, of which nobody knows whether it is lent: %s", f.Title(), parent.Title(), parent.Gap("driver").Reason)
	case parent.OnVFIO() || b.lent[parent.Address]:
		return fmt.Errorf("%s is a virtual function of %s, which is on VFIO or goes there; none of them is lent without it", f.Title(), parent.Title())
	}
	return nil
}
