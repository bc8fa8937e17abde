package step

import (
	"cmp"
	"fmt"
	"slices"

	"lendkeep/reconcile/facts"
)

// readyUndeclared asks of the functions that a definition holds beside what its
// guest borrows what is asked of those.
func (s *StartGuest) readyUndeclared(ix *facts.Index, d *facts.Definition, lent map[facts.Address]bool) error {
	for _, at := range d.Functions() {
		if slices.ContainsFunc(s.Borrows, func(r facts.Identity) bool { return r.Has(at) }) {
			continue
		}
		f := ix.Function(at)
		if f == nil {
			return fmt.Errorf("start guest %s: its definition holds %s, where nothing sits", s.Guest, at)
		}
		if uses := ix.LiveUses(at); len(uses) > 0 {
			return fmt.Errorf("start guest %s: its definition holds %s, and the host uses that: %s", s.Guest, f.Title(), uses[0])
		}
		if !slices.ContainsFunc(d.Hostdevs, func(l facts.Hostdev) bool { return l.Address == at }) {
			continue
		}
		if why := ix.Unasked(at); why != "" {
			return fmt.Errorf("start guest %s: its definition holds %s, and %s", s.Guest, f.Title(), why)
		}
		if f.Group == nil {
			return fmt.Errorf("start guest %s: its definition holds %s, which is in no IOMMU group", s.Guest, f.Title())
		}
		if list := ix.Blockers(*f.Group, lent); len(list) > 0 {
			return fmt.Errorf("start guest %s: the IOMMU group of %s cannot be lent: %s: %s", s.Guest, f.Title(), list[0].Function.Title(), list[0].Reason)
		}
	}
	return nil
}

// readyBeside looks whether the host or another guest uses what the guest would
// write.
func (s *StartGuest) readyBeside(ix *facts.Index, d *facts.Definition) error {
	mine := ix.Claims(d)
	for _, p := range mine {
		if !p.Writes || p.Kind == facts.KindFunction {
			continue
		}
		if uses := ix.HostUses(p.Named); len(uses) > 0 {
			return fmt.Errorf("start guest %s: the host uses its disk %s: %s", s.Guest, p.Target, uses[0])
		}
	}
	for i := range ix.Survey.Libvirt.Guests {
		other := &ix.Survey.Libvirt.Guests[i]
		d := cmp.Or(other.Live, other.Kept)
		if other.Name == s.Guest || !other.Running || d == nil {
			continue
		}
		if a, b, bad := facts.Clash(mine, ix.Claims(d)); bad {
			return fmt.Errorf("start guest %s: guest %s runs and has %s, which both cannot use: %s", s.Guest, other.Name, b.Named, a.Named)
		}
	}
	return nil
}
