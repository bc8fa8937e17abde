package page

import (
	"cmp"
	"slices"

	"lendkeep/reconcile/facts"
)

// Drive is a drive of the host, or what is recorded of one that is out.
type Drive struct {
	Name  string // kernel name; empty of one that is out
	Size  string // empty: not known
	Holds string // where it has no partitions: what is on it
	Bar   []Segment
	Log   bool // widths of the bar grow with the logarithm of sizes, or small parts would not be seen
	Parts []Part
	Users []Mention // of the drive as a whole
}

// Part is a partition.
type Part struct {
	Number int
	Text   string // what it is called, what it holds, what is built on it
	Size   string // empty: not known
	Users  []Mention
}

// usesOf sorts uses by the kernel name of the partition or drive that each is of;
// those of none are under "". Each is told once.
func (d *drawing) usesOf(uses []facts.Use) map[string][]Mention {
	list := map[string][]Mention{}
	for _, use := range uses {
		under := ""
		if b := d.ix.OriginOf(use); b != nil {
			under = b.Name
		}
		if m := d.user(use); !slices.Contains(list[under], m) {
			list[under] = append(list[under], m)
		}
	}
	return list
}

// drives draws what hangs on a function: what the host sees, else what is recorded.
func (d *drawing) drives(f *facts.Function, uses map[string][]Mention) []Drive {
	var list []Drive
	for _, b := range d.ix.Drives(f.Address) {
		list = append(list, d.drive(b, uses))
	}
	out, is := d.outs[f.Address]
	if !is || len(list) > 0 {
		return list
	}
	recorded := Drive{Holds: "out of the host's sight; on it, by the record: " + cmp.Or(joined(out.Partitions()...), "no partition that the host knew")}
	if out.SizeBytes > 0 {
		recorded.Size = facts.Size(out.SizeBytes)
	}
	return []Drive{recorded}
}

func (d *drawing) drive(b *facts.Block, uses map[string][]Mention) Drive {
	drawn := Drive{Name: b.Name, Size: facts.Size(b.SizeBytes), Users: uses[b.Name]}
	parts := slices.Clone(d.ix.Partitions(b.Name))
	slices.SortStableFunc(parts, func(x, y *facts.Block) int { return cmp.Compare(numberOf(x), numberOf(y)) })
	for _, part := range parts {
		name := part.Name
		if part.Partition != nil {
			name = cmp.Or(part.Partition.Name, name)
		}
		p := Part{Number: numberOf(part), Text: d.ix.Layers(part, name), Users: uses[part.Name]}
		if part.SizeBytes > 0 {
			p.Size = facts.Size(part.SizeBytes)
		}
		drawn.Parts = append(drawn.Parts, p)
	}
	if len(parts) == 0 {
		drawn.Holds = d.ix.Undivided(b)
		return drawn
	}
	if slices.ContainsFunc(parts, func(part *facts.Block) bool { return part.SizeBytes == 0 }) {
		return drawn // what cannot be drawn to scale is not drawn
	}
	drawn.Bar, drawn.Log = bar(b.SizeBytes, d.pieces(b, parts))
	return drawn
}

func numberOf(part *facts.Block) int {
	if part.Partition == nil {
		return 0
	}
	return part.Partition.Number
}

// elsewhere draws the drives that hang on no PCI function and are built on no other
// device.
func (d *drawing) elsewhere() []Drive {
	var list []Drive
	for i := range d.ix.Survey.Blocks {
		b := &d.ix.Survey.Blocks[i]
		if b.Controller != nil || b.Whole != "" || b.Mapper != nil || b.Array != "" || b.SizeBytes == 0 {
			continue
		}
		drawn := d.drive(b, d.usesOf(d.ix.HostUses("/dev/"+b.Name)))
		if b.BackingFile != "" {
			drawn.Name += " on " + b.BackingFile
		}
		list = append(list, drawn)
	}
	return list
}

// otherMounts counts the mounts that are on no drive, by kind.
func (d *drawing) otherMounts() string {
	of := map[*facts.Mount]bool{}
	for i := range d.ix.Survey.Blocks {
		for _, m := range d.ix.MountsOf(&d.ix.Survey.Blocks[i]) {
			of[m] = true
		}
	}
	numbers := map[string]int{}
	for i := range d.ix.Survey.Mounts {
		if m := &d.ix.Survey.Mounts[i]; !of[m] && m.Elsewhere == "" {
			numbers[m.Kind]++
		}
	}
	return counted(numbers)
}
