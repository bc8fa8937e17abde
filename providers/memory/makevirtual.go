package memory

import (
	"context"
	"fmt"
	"slices"

	"lendkeep/reconcile/facts"
)

// roomForVirtual is how many a segment of a host in memory has addresses for.
const roomForVirtual = 1 << 12

// MakeVirtual has a function make another number of virtual functions, as the kernel
// does: by its driver alone, no more than it can, all that are there going first. It
// waits for ever for one that a guest has; here that is an error.
func (h *Host) MakeVirtual(ctx context.Context, at facts.Address, count int) error {
	return h.deed(fmt.Sprintf("have %s make %d virtual functions", at, count), func() error {
		f := h.function(at)
		switch {
		case f == nil || f.VirtualMost == 0:
			return fmt.Errorf("open /sys/bus/pci/devices/%s/sriov_numvfs: no such file or directory", at)
		case f.Virtual == count:
			return nil
		case f.Driver == "" || f.OnVFIO():
			return fmt.Errorf("write /sys/bus/pci/devices/%s/sriov_numvfs: no such file or directory", at)
		case count > min(f.VirtualMost, roomForVirtual):
			return fmt.Errorf("write /sys/bus/pci/devices/%s/sriov_numvfs: numerical result out of range", at)
		}
		ix := facts.NewIndex(&h.survey)
		for _, v := range ix.Virtuals(at) {
			h.noteUse(v.Address, (*facts.Index).OwnLiveUses)
			if v.OnVFIO() && ix.Holder(v.Address) != nil {
				return fmt.Errorf("write /sys/bus/pci/devices/%s/sriov_numvfs: device %s is in use", at, v.Address)
			}
		}
		h.dropVirtuals(at)
		h.addVirtuals(at, count)
		return nil
	})
}

// dropVirtuals takes all virtual functions of a function away, with what hangs on them.
func (h *Host) dropVirtuals(at facts.Address) {
	h.survey.Functions = slices.DeleteFunc(h.survey.Functions, func(f facts.Function) bool {
		if f.Parent == nil || *f.Parent != at {
			return false
		}
		h.survey.Blocks = slices.DeleteFunc(h.survey.Blocks, func(b facts.Block) bool { return b.Controller != nil && *b.Controller == f.Address })
		delete(h.unseen, f.Address)
		return true
	})
	h.function(at).Virtual = 0
}

// newVirtual gives a virtual function as it is when it was just made: at the address
// and in the group that it had when the survey was taken, else at the next free ones.
// Those of an NVMe drive are offline; of others a driver makes again what it had made.
func (h *Host) newVirtual(at facts.Address, number int) facts.Function {
	parent := *h.function(at)
	v := facts.Function{Address: h.freeAfter(at), Vendor: parent.Vendor, Device: parent.Device + 1, Class: parent.Class, Upstream: parent.Upstream,
		NUMANode: parent.NUMANode, LocalCPUs: parent.LocalCPUs, ResetMethods: []string{"flr"}, Parent: &at, VirtualNumber: &number}
	driver, below := parent.Driver+"vf", Below{}
	if was := h.wasVirtual(at, number); was != nil && h.function(was.Address) == nil {
		v = *was
		below.hide(&v)
		if v.Driver != "" && !v.OnVFIO() {
			driver = v.Driver
		}
		v.NVMe, v.DriverOverride = nil, ""
	} else if parent.Group != nil {
		v.Group = h.freeGroup()
	}
	v.Driver = ""
	if parent.VirtualProbed && v.Class != facts.ClassNVMe {
		v.Driver = driver
		below.show(&v)
	}
	return v
}

// wasVirtual gives a virtual function as it was when the survey was taken, or nil.
func (h *Host) wasVirtual(at facts.Address, number int) *facts.Function {
	i := slices.IndexFunc(h.virtuals, func(f facts.Function) bool {
		return *f.Parent == at && f.VirtualNumber != nil && *f.VirtualNumber == number
	})
	if i < 0 {
		return nil
	}
	return &h.virtuals[i]
}

// freeAfter gives the next address behind another that nothing sits at, by routing id
// (PCI Express Base Specification, 9.2.1.2: behind its parent, in steps).
func (h *Host) freeAfter(at facts.Address) facts.Address {
	for id := uint16(at.Bus)<<8 | uint16(at.Slot)<<3 | uint16(at.Function); ; {
		id++
		next := facts.Address{Segment: at.Segment, Bus: uint8(id >> 8), Slot: uint8(id>>3) & 31, Function: uint8(id) & 7}
		if h.function(next) == nil {
			return next
		}
	}
}

func (h *Host) freeGroup() *int {
	free := 0
	for _, f := range h.survey.Functions {
		if f.Group != nil {
			free = max(free, *f.Group+1)
		}
	}
	return &free
}

// bootVirtuals gives functions the virtual ones that a start of the host makes: those
// that there were when the survey was taken, by whatever made them then.
func (h *Host) bootVirtuals() {
	had := map[facts.Address]int{}
	for _, f := range h.virtuals {
		had[*f.Parent]++
	}
	for _, f := range slices.Clone(h.survey.Functions) { // the list changes
		if f.Virtual != had[f.Address] {
			h.dropVirtuals(f.Address)
			h.addVirtuals(f.Address, had[f.Address])
		}
	}
}

// addVirtuals has a function that has none make so many.
func (h *Host) addVirtuals(at facts.Address, count int) {
	for number := range count {
		h.survey.Functions = append(h.survey.Functions, h.newVirtual(at, number))
	}
	h.function(at).Virtual = count
}
