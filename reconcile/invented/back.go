package invented

import (
	"pgregory.net/rapid"

	"lendkeep/reconcile/facts"
	"lendkeep/spec"
)

// Room notes that nothing is where an image goes, and how much room there is.
func (b *Builder) Room(image string, freeBytes uint64) {
	b.Survey.Paths = append(b.Survey.Paths, facts.Path{Named: image, Missing: true})
	b.Survey.Rooms = append(b.Survey.Rooms, facts.Room{Path: image, FreeBytes: freeBytes})
}

// Back states a disk whose image is made of the drive of a controller.
func Back(controller, image string) spec.Disk {
	return spec.Disk{Name: "system", Image: image, Format: "qcow2", Bus: "virtio", CopyFrom: &spec.Ref{Name: controller, At: place()}, At: place()}
}

// backs states of some drives that a system goes back to an image: of those that no
// guest of the layout borrows and nothing else is done to.
func (r *random) backs(layout *spec.Layout) {
	for i, at := range r.at {
		f, c := r.b.Function(at), layout.Controllers[i]
		borrowed := false
		for _, g := range layout.Guests {
			for _, ref := range g.Borrows {
				borrowed = borrowed || ref.Name == c.Name
			}
		}
		if len(layout.Guests) == 0 || borrowed || f.NVMe == nil || r.filled[at] || !r.chance(30, "goes back") {
			continue
		}
		drive := f.NVMe.Namespaces[0].Block
		if facts.NewIndex(&r.b.Survey).Content(drive) == nil {
			r.b.Look(drive)
		}
		image := "/srv/back/" + c.Name + ".qcow2"
		r.b.Room(image, rapid.SampledFrom([]uint64{1 << 40, 1 << 40, 1 << 20}).Draw(r.t, "room"))
		g := &layout.Guests[rapid.IntRange(0, len(layout.Guests)-1).Draw(r.t, "whose")]
		g.Disks = append(g.Disks, Back(c.Name, image))
		g.Disks[len(g.Disks)-1].Name += c.Name
	}
}
