package again

import (
	"slices"

	"lendkeep/reconcile/facts"
)

// BootMounts gives what a start of a twin mounts, as made has it mounted, by the device
// numbers that the same filesystems have now: they change from one boot to the next.
func BootMounts(made, now *facts.Index) []facts.Mount {
	mounts := slices.Clone(made.Survey.Mounts)
	for i := range mounts {
		m := &mounts[i]
		was := holding(made, func(b *facts.Block) bool { return m.Devno.Known() && b.Devno == m.Devno })
		if was == nil {
			continue
		}
		is := holding(now, func(b *facts.Block) bool { return same(was, b) })
		if is != nil {
			m.Devno, m.Source = is.Devno, "/dev/"+is.Name
		}
	}
	return mounts
}

func holding(ix *facts.Index, is func(*facts.Block) bool) *facts.Block {
	i := slices.IndexFunc(ix.Survey.Blocks, func(b facts.Block) bool { return is(&b) })
	if i < 0 {
		return nil
	}
	return &ix.Survey.Blocks[i]
}

// same tells a device by the filesystem on it.
func same(a, b *facts.Block) bool {
	return a.Signature != nil && b.Signature != nil && a.Signature.UUID != "" && a.Signature.UUID == b.Signature.UUID && a.Signature.Kind == b.Signature.Kind &&
		(a.Partition == nil) == (b.Partition == nil)
}
