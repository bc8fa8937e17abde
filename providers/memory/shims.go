package memory

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"slices"

	"lendkeep/reconcile/facts"
)

// PlaceShim puts a shim disk where it belongs, as the real one does.
func (h *Host) PlaceShim(ctx context.Context, shim facts.Shim, donor, donorSum string) error {
	h.mu.Lock()
	defer h.mu.Unlock()
	ix := facts.NewIndex(&h.survey)
	image := ix.Image(donor)
	switch placed := ix.Shim(shim.Path); {
	case h.survey.ShimGap != "":
		return fmt.Errorf("place shim disk %s: %s", shim.Path, h.survey.ShimGap)
	case image == nil || image.SHA256 != donorSum || image.Driver != shim.Driver || image.ShellSum != shim.Shell:
		return fmt.Errorf("place shim disk %s: donor %s was exchanged", shim.Path, donor)
	case placed != nil && (placed.Shim != shim || placed.Why != ""):
		return fmt.Errorf("place shim disk %s: another file is there, which is left as it is", shim.Path)
	case placed == nil:
		h.survey.Shims = append(h.survey.Shims, facts.PlacedShim{Shim: shim})
	}
	return h.changed()
}

// RemoveShim removes a shim disk, whoever needs it.
func (h *Host) RemoveShim(ctx context.Context, path string) error {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.survey.Shims = slices.DeleteFunc(h.survey.Shims, func(p facts.PlacedShim) bool { return p.Path == path })
	return h.changed()
}

// shimThere refuses a start without the shim disk, as libvirt does.
func (h *Host) shimThere(g *facts.Guest) error {
	if path := g.Kept.Shim(); path != "" && facts.NewIndex(&h.survey).Shim(path) == nil {
		return fmt.Errorf("Cannot access storage file '%s': No such file or directory", path)
	}
	return nil
}

// PutEntry writes a boot entry into a variable store, as the real one does. The
// sha256 of the result is made up.
func (h *Host) PutEntry(ctx context.Context, store, sum string, entry facts.NewEntry) error {
	h.mu.Lock()
	defer h.mu.Unlock()
	i := slices.IndexFunc(h.survey.Stores, func(s facts.VariableStore) bool { return s.Path == store })
	if i < 0 || h.survey.Stores[i].SHA256 != sum {
		return fmt.Errorf("write boot entry into %s: it has changed", store)
	}
	h.stores[sum] = h.survey.Stores[i]
	s := h.survey.Stores[i]
	was := sha256.Sum256(fmt.Append(nil, sum, entry))
	s.SHA256, s.Entries = hex.EncodeToString(was[:]), slices.Clone(s.Entries)
	at := slices.IndexFunc(s.Entries, func(e facts.BootEntry) bool {
		return e.Active && e.Short && e.Partition == entry.Partition.ID && facts.SameFile(e.File, entry.File)
	})
	if at < 0 {
		at = len(s.Entries)
		s.Entries = append(s.Entries, facts.BootEntry{Number: freeNumber(s.Entries), Label: entry.Label, Active: true, Short: true,
			Partition: entry.Partition.ID, File: entry.File})
	}
	first := s.Entries[at].Number
	for i := range s.Entries {
		switch e := &s.Entries[i]; {
		case e.Number == first:
			e.Place = 1
		case e.Place > 0:
			e.Place++
		}
	}
	h.survey.Stores[i] = s
	return h.changed()
}

func freeNumber(entries []facts.BootEntry) uint16 {
	for n := uint16(0); ; n++ {
		if !slices.ContainsFunc(entries, func(e facts.BootEntry) bool { return e.Number == n }) {
			return n
		}
	}
}

// Restore gives a variable store what was kept of it.
func (h *Host) Restore(ctx context.Context, store, sum string) error {
	h.mu.Lock()
	defer h.mu.Unlock()
	kept, ok := h.stores[sum]
	i := slices.IndexFunc(h.survey.Stores, func(s facts.VariableStore) bool { return s.Path == store })
	if !ok || i < 0 {
		return fmt.Errorf("restore variables in %s: nothing was kept of it", store)
	}
	h.survey.Stores[i] = kept
	return h.changed()
}
