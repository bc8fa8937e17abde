package guard

import (
	"fmt"

	"lendkeep/reconcile/facts"
)

// disks refuses a guest that would write what the host itself has mounted, as
// swap, or built something on, and what another process has open, unless the
// disk is meant for several guests: that destroys what is there, whether the
// rules know the guest or not. What could not be read is told.
func (b *before) disks() error {
	for _, p := range b.ix.Storage(&b.call.Definition) {
		if !p.Writes {
			continue
		}
		for _, use := range b.ix.HostUses(p.Named) {
			text := fmt.Sprintf("the host uses its disk %s, %s: %s", p.Target, p.Named, use)
			if !b.perhaps(p, use) {
				return fmt.Errorf("%s", text)
			}
			b.verdict.Notes = append(b.verdict.Notes, text)
		}
	}
	for _, disk := range b.unlocated() {
		if !disk.ReadOnly {
			b.verdict.Notes = append(b.verdict.Notes, fmt.Sprintf("whether the host uses its disk %s is not known: the rules do not know pool %s, of which it is volume %s; bring them up to date by an order", disk.Target, disk.Pool, disk.Volume))
		}
	}
	return nil
}

// perhaps tells whether a use need not be one, or not one that hurts.
func (b *before) perhaps(p facts.Piece, use facts.Use) bool {
	if d := b.ix.Device(p.Named); d != nil && d.Exclusive == facts.HeldBySomeone {
		return false
	}
	return use.Kind == facts.UseUnknown || use.Kind == facts.UseProcess && p.Shareable
}
