package memory

import (
	"slices"

	"lendkeep/reconcile/facts"
)

// Unplug takes the card that a function is on out of the host: what is mounted of its
// drives stays mounted. A function that a guest has is gone once the guest lets it go
// (measured with Linux 6.1: vfio-pci waits for it). PowerCut has the card be there again.
func (h *Host) Unplug(at facts.Address) {
	_ = h.alone(func() error { // as with PowerCut
		h.pull(at)
		return nil
	})
}

func (h *Host) pull(at facts.Address) {
	ix := facts.NewIndex(&h.survey)
	for _, f := range slices.Clone(h.survey.Functions) {
		if f.Address.Segment != at.Segment || f.Address.Bus != at.Bus || f.Address.Slot != at.Slot || h.isPulled(f.Address) {
			continue
		}
		h.pulled = append(h.pulled, f)
		if ix.Holder(f.Address) == nil {
			h.leave(f.Address)
		}
	}
}

func (h *Host) isPulled(at facts.Address) bool {
	return slices.ContainsFunc(h.pulled, func(f facts.Function) bool { return f.Address == at })
}

// leave has a function be gone, with all that hangs on it.
func (h *Host) leave(at facts.Address) {
	h.take(at, false)
	h.survey.Functions = slices.DeleteFunc(h.survey.Functions, func(f facts.Function) bool { return f.Address == at })
}

// plugged has the cards that were unplugged be there, as they were left.
func (h *Host) plugged() {
	for _, f := range h.pulled {
		if h.function(f.Address) == nil {
			h.survey.Functions = append(h.survey.Functions, f)
		}
	}
	h.pulled = nil
}

// Boots has a start of the host mount what another survey of it has mounted.
func (h *Host) Boots(mounts []facts.Mount) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.boot = slices.Clone(mounts)
}
