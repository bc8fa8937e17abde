package invented

import (
	"slices"

	"pgregory.net/rapid"

	"lendkeep/reconcile/facts"
	"lendkeep/spec"
)

// movedImage is the image whose system random layouts move.
const movedImage = "/srv/images/x.qcow2"

// moves states for some drives that nobody uses that a system moves there, or
// that partitions are made on them.
func (r *random) moves(layout *spec.Layout) {
	if r.chance(85, "image looked into") {
		image := r.b.System(movedImage)
		image.Volumes[1].Condition = rapid.SampledFrom([]facts.Condition{facts.Clean, facts.Clean, facts.Dirty, facts.UnsureIfClean, facts.Hibernated}).Draw(r.t, "left")
	}
	for i, at := range r.at {
		f := r.b.Function(at)
		if !r.chance(35, "fills the drive") || f.NVMe == nil || len(facts.NewIndex(&r.b.Survey).LiveUses(at)) > 0 {
			continue
		}
		r.filled[at] = true
		c := &layout.Controllers[i]
		if c.Drive == nil {
			c.Drive = &spec.Drive{At: place()}
		}
		if r.chance(70, "moves a system") {
			c.Drive.CopyOf = movedImage
			c.Drive.CopyFormat = rapid.SampledFrom([]string{"qcow2", "qcow2", "qcow2", ""}).Draw(r.t, "format of the image")
		}
		if r.chance(50, "attic") {
			c.Drive.Partitions = append(c.Drive.Partitions, spec.Partition{Name: "attic", SizeBytes: 100 << 20, Format: rapid.SampledFrom([]string{"", "ext4"}).Draw(r.t, "format"), At: place()})
		}
		r.hold(f.NVMe.Namespaces[0].Block, c)
	}
}

// hold draws what is on such a drive: nothing, something that may be erased or
// not, or the partitions that it was made with.
func (r *random) hold(drive string, c *spec.Controller) {
	if r.chance(50, "may be erased") {
		c.Drive.Erase = c.NVMe.Serial
	}
	way := rapid.IntRange(0, 3).Draw(r.t, "holds")
	if way == 0 {
		return
	}
	r.b.Survey.Contents = slices.DeleteFunc(r.b.Survey.Contents, func(c facts.Content) bool { return c.Of == drive })
	r.b.Survey.Blocks = slices.DeleteFunc(r.b.Survey.Blocks, func(b facts.Block) bool { return b.Whole == drive })
	content := r.b.Look(drive)
	if way == 1 {
		content.Blank, content.Signature = false, &facts.Signature{Kind: "ext4", Usage: "filesystem"}
	}
}
