package step

import (
	"context"
	"fmt"
	"time"

	"lendkeep/reconcile/facts"
)

const entryTakes = time.Second

// WriteEntry writes a boot entry into the variable store of a guest that is
// off. The store as it was is kept, so that undoing gives every byte back.
type WriteEntry struct {
	Guest    string         `json:"guest"`
	Store    string         `json:"store"`        // path of the variable store
	StoreSum string         `json:"store_sha256"` // of the store that the order was written for
	Entry    facts.NewEntry `json:"entry"`
}

func (s *WriteEntry) About() About {
	return About{Kind: "write entry", Risk: Safe, Takes: entryTakes, Within: entryTakes,
		Does: fmt.Sprintf("write a boot entry for guest %s into %s: first %s of partition %d (%s)",
			s.Guest, s.Store, s.Entry.File, s.Entry.Partition.Number, s.Entry.Partition.ID),
		Undoes: "give guest " + s.Guest + " its old firmware variables back, byte for byte; what its firmware writes from then on is lost",
		Needs:  []Condition{guestIs(s.Guest, "off"), variablesAre(s.Store, "as before")},
		Gives:  []Condition{variablesAre(s.Store, "as planned")}}
}

// Ready refuses a store that was written since, and one that QEMU has open.
func (s *WriteEntry) Ready(ix *facts.Index) error {
	if err := s.MayUndo(ix); err != nil {
		return err
	}
	if store := ix.Store(s.Store); store == nil || store.SHA256 != s.StoreSum {
		return fmt.Errorf("write boot entry: the firmware variables of guest %s have changed since the order was written; plan again", s.Guest)
	}
	return nil
}

// MayUndo refuses while the guest runs: its firmware would write over it.
func (s *WriteEntry) MayUndo(ix *facts.Index) error {
	return off(ix, s.Guest, "write firmware variables of")
}

func (s *WriteEntry) Stands(ix *facts.Index) (Standing, string) {
	switch store := ix.Store(s.Store); {
	case store == nil || store.SHA256 == "":
		return Neither, s.Store + " cannot be read"
	case store.SHA256 == s.StoreSum:
		return Before, "the firmware variables of " + s.Guest + " are as they were"
	case store.First(s.Entry):
		return After, "the firmware of " + s.Guest + " starts " + s.Entry.File + " first"
	default:
		return Neither, "the firmware variables of " + s.Guest + " are neither as they were nor as planned"
	}
}

func (s *WriteEntry) Do(ctx context.Context, p Ports) error {
	return p.Stores.PutEntry(ctx, s.Store, s.StoreSum, s.Entry)
}

func (s *WriteEntry) Undo(ctx context.Context, p Ports) error {
	return p.Stores.Restore(ctx, s.Store, s.StoreSum)
}
