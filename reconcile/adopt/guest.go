package adopt

import (
	"path"
	"slices"
	"strings"

	"lendkeep/reconcile/facts"
	"lendkeep/spec"
)

// guest is a guest of the host and what it has of it.
type guest struct {
	*facts.Guest
	has  []*facts.Function // what its kept definition lends it
	bare string            // why only what it borrows is stated; empty: more is
	out  string            // why it is not carried over; empty: it may be

	claims []facts.Piece // what it has of the host when it runs; nil: not asked yet
}

func (h *host) guest(known *facts.Guest) *guest {
	g := &guest{Guest: known}
	if g.Kept == nil {
		g.out = "libvirt keeps no definition of it, which a layout could speak of"
		if g.Live != nil && len(g.Live.Hostdevs) > 0 {
			h.tell("Guest %s, which borrows: %s.", g.Name, g.out)
		}
		return g
	}
	if err := sayable(spec.Part{Guest: &spec.Guest{Name: g.Name}}, spec.Part{Shift: &spec.Shift{Name: "all", Guests: []spec.Ref{{Name: g.Name}}}}); err != nil {
		g.out = "a layout cannot state its name: " + err.Error()
	}
	for _, lent := range g.Kept.Hostdevs {
		f := h.ix.Function(lent.Address)
		switch {
		case f == nil:
			h.tell("Guest %s names the address %s, where nothing is.", g.Name, lent.Address)
		case h.meansOther(g.Kept, f):
			h.tell("Guest %s lends what sits at %s, which is not what its definition means there; see the finding wrong-device.", g.Name, f.Address)
		case g.out != "":
			h.tell("Guest %q, which borrows %s: %s.", g.Name, f.Title(), g.out)
		default:
			g.has = append(g.has, f)
		}
	}
	for _, at := range g.Kept.Functions() {
		if f := h.ix.Function(at); f != nil && !slices.ContainsFunc(g.Kept.Hostdevs, func(l facts.Hostdev) bool { return l.Address == at }) {
			h.tell("Guest %s has %s in another form than a layout can state (a network card, an NVMe disk, an argument for QEMU).", g.Name, f.Title())
		}
	}
	return g
}

// meansOther tells whether lendkeep's own note says that a guest is to have another
// controller than sits at that address now.
func (h *host) meansOther(d *facts.Definition, f *facts.Function) bool {
	return slices.ContainsFunc(d.Identities, func(r facts.Identity) bool {
		_, means, _ := h.ix.Where(r)
		return r.Address == f.Address && means != f
	})
}

// stated is the guest's block.
func (h *host) stated(g *guest) *spec.Guest {
	block := &spec.Guest{Name: g.Name}
	for _, c := range h.borrows(g) {
		block.Borrows = append(block.Borrows, spec.Ref{Name: c.name})
	}
	if g.bare != "" {
		return block
	}
	block.Boots = h.boots(g)
	if g.Kept.CPUs > 0 {
		block.CPU = &spec.CPU{Count: g.Kept.CPUs}
	}
	if g.Kept.MemoryBytes > 0 {
		block.Memory = &spec.Memory{SizeBytes: g.Kept.MemoryBytes}
	}
	for _, d := range g.Kept.Disks {
		// Of a target that is not virtio's, the name does not say the bus.
		if d.Kind == "file" && d.Device == "disk" && !d.ReadOnly && !d.Shareable && strings.HasPrefix(d.Target, "vd") && h.onMount(d.Source) {
			block.Disks = append(block.Disks, spec.Disk{Name: d.Target, Image: d.Source, Bus: "virtio"})
		}
	}
	return block
}

// boots gives what a guest starts from, where that is a controller it borrows: it
// comes first in the boot order.
func (h *host) boots(g *guest) *spec.Ref {
	var first *facts.Ranked
	for i := range g.Kept.Boot.Ranked {
		if r := &g.Kept.Boot.Ranked[i]; first == nil || r.Order < first.Order {
			first = r
		}
	}
	if first == nil || first.Hostdev == nil {
		return nil
	}
	for _, c := range h.borrows(g) {
		if c.f.Address == *first.Hostdev {
			return &spec.Ref{Name: c.name}
		}
	}
	return nil
}

// onMount tells whether a file lies on a mount that is carried over.
func (h *host) onMount(file string) bool {
	for _, c := range h.in() {
		for _, m := range c.mounts {
			if path.IsAbs(file) && strings.HasPrefix(file, m.Path+"/") {
				return true
			}
		}
	}
	return false
}
