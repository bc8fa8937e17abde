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
	for i := range layout.Guests {
		if g := &layout.Guests[i]; g.Boots != nil && facts.NewIndex(&r.b.Survey).Guest(g.Name) != nil { // a new one would get fittings
			g.System = rapid.SampledFrom([]string{"windows", "windows", "", "windows", "linux", ""}).Draw(r.t, "stated system")
		}
	}
	r.installed()
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

// installed draws what is known of the installed systems: in the image, and by
// guests that were asked. What either says may be wrong.
func (r *random) installed() {
	draw := func(title string) (string, map[facts.Matter]facts.Held) {
		kind := rapid.SampledFrom([]string{"windows", "windows", "windows", "windows", "linux", ""}).Draw(r.t, title)
		says := map[facts.Matter]facts.Held{}
		for _, q := range append(facts.Matters(kind), facts.AsksPending) {
			says[q] = rapid.SampledFrom([]facts.Held{facts.Present, facts.Present, facts.Absent, facts.Unknown, ""}).Draw(r.t, title+" "+string(q))
		}
		if kind == "windows" && r.chance(50, title+" it lacks its driver") { // which a step mends
			says[facts.AsksDriver] = facts.Absent
		}
		return kind, says
	}
	if r.chance(80, "image tells") {
		kind, says := draw("in the image")
		r.b.Holds(movedImage, kind, says)
	}
	for _, g := range r.b.Survey.Libvirt.Guests {
		if r.chance(40, "answers") {
			kind, says := draw("in " + g.Name)
			r.b.Says(g.Name, kind, says)
		}
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
