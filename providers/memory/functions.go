package memory

import (
	"context"
	"fmt"
	"slices"

	"lendkeep/reconcile/facts"
)

// ToVFIO binds a function to vfio-pci. Like the kernel it asks nobody whether
// the drive is in use: block devices vanish, mounts stay behind.
func (h *Host) ToVFIO(ctx context.Context, at facts.Address) error {
	return h.deed("bind "+at.String()+" to VFIO", func() error {
		h.noteUse(at, (*facts.Index).OwnLiveUses)
		if err := h.lendable(at); err != nil {
			return err
		}
		if err := h.virtualsAllow(at, nil); err != nil {
			return err
		}
		h.take(at, false)
		return nil
	})
}

// ToHost binds a function to the driver it had before, or to that of the override.
func (h *Host) ToHost(ctx context.Context, at facts.Address, override string) error {
	return h.deed("bind "+at.String()+" to the host's driver", func() error {
		f := h.function(at)
		if f == nil {
			return fmt.Errorf("device %s not found", at)
		}
		if holder := facts.NewIndex(&h.survey).Holder(at); holder != nil {
			return fmt.Errorf("PCI device %s is in use by driver QEMU, domain %s", at, holder.Name)
		}
		if a, away := h.unseen[at]; away && override != "" && override != a.Driver {
			h.keepFrom(f, override)
		} else {
			h.restore(at)
		}
		f.DriverOverride = override
		return nil
	})
}

// noteUse notes a function that is about to be taken while the host uses it, which
// nothing that carries an order out may ask for.
func (h *Host) noteUse(at facts.Address, uses func(*facts.Index, facts.Address) []facts.Use) {
	survey := Clone(h.survey).Answered()
	for _, use := range uses(facts.NewIndex(&survey), at) {
		h.inUse = append(h.inUse, "lent while in use: "+use.String())
	}
}

// LentInUse tells what was to be lent by an order while the host used it.
func (h *Host) LentInUse() []string {
	h.mu.Lock()
	defer h.mu.Unlock()
	return slices.Clone(h.inUse)
}

// lendable answers as libvirt and the kernel do before a detach.
func (h *Host) lendable(at facts.Address) error {
	f := h.function(at)
	switch {
	case f == nil:
		return fmt.Errorf("Device %s not found: could not access /sys/bus/pci/devices/%s/config: No such file or directory", at, at)
	case h.survey.Machine.IOMMUs == 0:
		return fmt.Errorf("unsupported configuration: host doesn't support passthrough of host PCI devices")
	case f.HeaderType != 0:
		return fmt.Errorf("Non-endpoint PCI devices cannot be assigned to guests")
	}
	return nil
}

// take moves a function to VFIO and everything that hangs on it out of sight.
func (h *Host) take(at facts.Address, forGuest bool) {
	f := h.function(at)
	if f.OnVFIO() {
		return
	}
	if a, lost := h.unseen[at]; lost { // it never came back
		a.Kept = !forGuest
		h.unseen[at] = a
		f.Driver, f.DriverOverride = "vfio-pci", "vfio-pci"
		return
	}
	a := Unseen{Address: at, Driver: f.Driver, NVMe: f.NVMe}
	if f.Overridden() && (f.Stubbed() || f.Driver == "") { // libvirt clears what kept it from its driver
		a = h.guess(facts.NewIndex(&h.survey), *f)
	}
	a.Kept = !forGuest
	h.survey.Blocks = slices.DeleteFunc(h.survey.Blocks, func(b facts.Block) bool {
		if b.Controller == nil || *b.Controller != at || b.Mapper != nil || b.Array != "" {
			return false
		}
		a.Blocks = append(a.Blocks, b)
		return true
	})
	h.survey.Contents = slices.DeleteFunc(h.survey.Contents, func(c facts.Content) bool {
		gone := slices.ContainsFunc(a.Blocks, func(b facts.Block) bool { return b.Name == c.Of })
		if gone {
			a.Holds = append(a.Holds, c)
		}
		return gone
	})
	a.Below.hide(f)
	h.unseen[at] = a
	f.Driver, f.DriverOverride, f.NVMe = "vfio-pci", "vfio-pci", nil
}

// keepFrom leaves a function to a driver that does nothing with it, or to none.
func (h *Host) keepFrom(f *facts.Function, driver string) {
	if f.Driver = driver; !f.Stubbed() {
		f.Driver = ""
	}
	delete(h.unseen, f.Address)
}

// restore is the way back of take.
func (h *Host) restore(at facts.Address) {
	a, ok := h.unseen[at]
	if !ok {
		return
	}
	f := h.function(at)
	if h.stubborn[at] != "" {
		f.Driver, f.DriverOverride = "", ""
		return
	}
	f.Driver, f.DriverOverride, f.NVMe = a.Driver, "", a.NVMe
	a.Below.show(f)
	h.back(a)
	delete(h.unseen, at)
}

// lend gives functions to a guest that starts, all or none.
func (h *Host) lend(g *facts.Guest) error {
	lent := map[facts.Address]bool{}
	for _, l := range g.Kept.Hostdevs {
		lent[l.Address] = true
	}
	ix := facts.NewIndex(&h.survey)
	for _, l := range g.Kept.Hostdevs {
		if err := h.lendable(l.Address); err != nil {
			return err
		}
		f := h.function(l.Address)
		if holder := ix.Holder(l.Address); holder != nil {
			return fmt.Errorf("Requested operation is not valid: PCI device %s is in use by driver QEMU, domain %s", l.Address, holder.Name)
		}
		if !l.Managed && !f.OnVFIO() {
			return fmt.Errorf("Requested operation is not valid: Unmanaged PCI device %s must be manually detached from the host", l.Address)
		}
		if f.Group == nil {
			return fmt.Errorf("vfio %s: no iommu_group found", l.Address)
		}
		for _, member := range ix.Group(*f.Group) {
			if holder := ix.Holder(member.Address); holder != nil {
				return fmt.Errorf("Requested operation is not valid: PCI device %s is in use by driver QEMU, domain %s", member.Address, holder.Name)
			}
		}
		if err := h.virtualsAllow(l.Address, lent); err != nil {
			return err
		}
		if len(ix.Blockers(*f.Group, lent)) > 0 {
			return fmt.Errorf("vfio %s: group %d is not viable\nPlease ensure all devices within the iommu_group are bound to their vfio bus driver.", l.Address, *f.Group)
		}
	}
	for _, l := range g.Kept.Hostdevs {
		h.take(l.Address, true)
	}
	return nil
}

// letGo is what libvirt does when a guest has ended: a function that was on
// VFIO before stays there.
func (h *Host) letGo(d *facts.Definition) {
	for _, l := range d.Hostdevs {
		if h.isPulled(l.Address) {
			h.leave(l.Address)
		} else if a, ok := h.unseen[l.Address]; ok && !a.Kept {
			h.restore(l.Address)
		}
	}
}
