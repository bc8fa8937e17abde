package guard

import (
	"fmt"

	"lendkeep/reconcile/facts"
)

// disks refuses a guest that would write what the host itself has mounted, as
// swap, or built something on: that destroys what is there for certain, whether
// the rules know the guest or not. What only cannot be told apart from use is
// told.
func (b *before) disks() error {
	for _, p := range b.ix.Storage(&b.call.Definition) {
		if !p.Writes {
			continue
		}
		for _, use := range b.ix.HostUses(p.Named) {
			text := fmt.Sprintf("the host uses its disk %s, %s: %s", p.Target, p.Named, use)
			if use.Kind != facts.UseUnknown {
				return fmt.Errorf("%s", text)
			}
			b.verdict.Notes = append(b.verdict.Notes, text)
		}
	}
	return nil
}
