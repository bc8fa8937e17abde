package memory

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"lendkeep/reconcile/facts"
)

// PlaceAid puts a boot aid where it belongs, as the real one does.
func (h *Host) PlaceAid(ctx context.Context, aid facts.Aid, donor, donorSum string) error {
	return h.deed("place "+aid.Title(), func() error {
		if err := h.place(aid, donor, donorSum); err != nil {
			return fmt.Errorf("place %s %s: %w", aid.Title(), aid.At(), err)
		}
		return nil
	})
}

func (h *Host) place(aid facts.Aid, donor, donorSum string) error {
	ix := facts.NewIndex(&h.survey)
	image := ix.Image(donor)
	there, same, gap := aid.Lies(ix)
	switch {
	case gap != "":
		return errors.New(gap)
	case image == nil || image.SHA256 != donorSum || !aid.MadeOf(image):
		return fmt.Errorf("donor %s was exchanged", donor)
	case there && !same:
		return errors.New("another file is there, which is left as it is")
	case there:
		return nil
	}
	switch aid := aid.(type) {
	case facts.ROM:
		h.survey.ROMs = append(h.survey.ROMs, facts.PlacedROM{ROM: aid})
	case facts.Shim:
		h.survey.Shims = append(h.survey.Shims, facts.PlacedShim{Shim: aid})
	}
	return nil
}

// RemoveAid removes a boot aid, whoever needs it.
func (h *Host) RemoveAid(ctx context.Context, aid facts.Aid) error {
	return h.deed("remove "+aid.Title(), func() error {
		h.survey.ROMs = slices.DeleteFunc(h.survey.ROMs, func(p facts.PlacedROM) bool { return p.Path == aid.At() })
		h.survey.Shims = slices.DeleteFunc(h.survey.Shims, func(p facts.PlacedShim) bool { return p.Path == aid.At() })
		return nil
	})
}

// aidsThere refuses a start without an option ROM, as QEMU does, or without a
// shim disk, as libvirt does. Of other files than lendkeep's own nothing is known.
func (h *Host) aidsThere(g *facts.Guest) error {
	ix := facts.NewIndex(&h.survey)
	for _, l := range g.Kept.Hostdevs {
		if facts.IsROM(l.ROM) && ix.ROM(l.ROM) == nil {
			return fmt.Errorf("internal error: process exited while connecting to monitor: failed to find romfile \"%s\"", l.ROM)
		}
	}
	if path := g.Kept.Shim(); path != "" && ix.Shim(path) == nil {
		return fmt.Errorf("Cannot access storage file '%s': No such file or directory", path)
	}
	return nil
}
