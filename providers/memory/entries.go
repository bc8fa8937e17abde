package memory

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"slices"

	"lendkeep/reconcile/facts"
)

// PutEntry writes a boot entry into a variable store, as the real one does. The
// sha256 of the result is made up.
func (h *Host) PutEntry(ctx context.Context, store, sum string, entry facts.NewEntry) error {
	return h.deed("write boot entry", func() error { return h.putEntry(store, sum, entry) })
}

func (h *Host) putEntry(store, sum string, entry facts.NewEntry) error {
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
	return nil
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
	return h.deed("restore firmware variables", func() error {
		kept, ok := h.stores[sum]
		i := slices.IndexFunc(h.survey.Stores, func(s facts.VariableStore) bool { return s.Path == store })
		if !ok || i < 0 {
			return fmt.Errorf("restore variables in %s: nothing was kept of it", store)
		}
		h.survey.Stores[i] = kept
		return nil
	})
}
