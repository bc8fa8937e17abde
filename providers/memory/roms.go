package memory

import (
	"context"
	"fmt"
	"slices"

	"lendkeep/reconcile/facts"
)

// PlaceROM puts an option ROM where it belongs, as the real one does.
func (h *Host) PlaceROM(ctx context.Context, rom facts.ROM, donor, donorSum string) error {
	h.mu.Lock()
	defer h.mu.Unlock()
	ix := facts.NewIndex(&h.survey)
	image := ix.Image(donor)
	switch placed := ix.ROM(rom.Path); {
	case h.survey.ROMGap != "":
		return fmt.Errorf("place option ROM %s: %s", rom.Path, h.survey.ROMGap)
	case image == nil || image.SHA256 != donorSum || image.Driver != rom.Driver:
		return fmt.Errorf("place option ROM %s: donor %s was exchanged", rom.Path, donor)
	case placed != nil && (placed.ROM != rom || placed.Why != ""):
		return fmt.Errorf("place option ROM %s: another file is there, which is left as it is", rom.Path)
	case placed == nil:
		h.survey.ROMs = append(h.survey.ROMs, facts.PlacedROM{ROM: rom})
	}
	return h.changed()
}

// RemoveROM removes an option ROM, whoever needs it.
func (h *Host) RemoveROM(ctx context.Context, path string) error {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.survey.ROMs = slices.DeleteFunc(h.survey.ROMs, func(p facts.PlacedROM) bool { return p.Path == path })
	return h.changed()
}

// romsThere refuses a start without an option ROM, as QEMU does. Of other files
// than lendkeep's own nothing is known.
func (h *Host) romsThere(g *facts.Guest) error {
	ix := facts.NewIndex(&h.survey)
	for _, l := range g.Kept.Lent {
		if facts.IsROM(l.ROM) && ix.ROM(l.ROM) == nil {
			return fmt.Errorf("internal error: process exited while connecting to monitor: failed to find romfile \"%s\"", l.ROM)
		}
	}
	return nil
}
