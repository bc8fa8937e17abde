package page

import (
	"cmp"
	"math/bits"
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

// Segment is a part of a drive's bar.
type Segment struct {
	X, W   Percent
	Fill   Fill
	Number int // of the partition; 0: free
}

// Fill is how a segment is drawn.
type Fill string

// The fills. What is mounted, swapped to or held goes before what a guest that is off
// might use.
const (
	HostUses  Fill = "host"
	GuestUses Fill = "guest"
	Unused    Fill = "unused"
	Free      Fill = "free" // no partition
)

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

// piece is a stretch of a drive.
type piece struct {
	sizeBytes uint64
	fill      Fill
	number    int
}

// pieces gives the partitions in the sequence in which they lie, and what is free
// between them, so far as the survey says where they begin.
func (d *drawing) pieces(b *facts.Block, parts []*facts.Block) []piece {
	var list []piece
	lying := slices.Clone(parts)
	slices.SortStableFunc(lying, func(x, y *facts.Block) int { return cmp.Compare(startOf(x), startOf(y)) })
	known := startOf(lying[0]) > 0
	end := uint64(0)
	for _, part := range lying {
		if start := startOf(part); known && start > end {
			list = append(list, piece{start - end, Free, 0})
		}
		list = append(list, piece{part.SizeBytes, d.fill(part), numberOf(part)})
		end = max(end, startOf(part)+part.SizeBytes)
	}
	if known && b.SizeBytes > end {
		list = append(list, piece{b.SizeBytes - end, Free, 0})
	}
	return list
}

func startOf(part *facts.Block) uint64 {
	if part.Partition == nil {
		return 0
	}
	return part.Partition.StartBytes
}

// fill tells how a partition is used.
func (d *drawing) fill(part *facts.Block) Fill {
	fill := Unused
	var uses []facts.Use
	if part.Controller != nil {
		uses = d.c.Uses(*part.Controller)
	} else {
		uses = d.ix.HostUses("/dev/" + part.Name)
	}
	for _, use := range uses {
		if d.ix.OriginOf(use) != part {
			continue
		}
		if use.Kind != facts.UseGuest && use.Live {
			return HostUses
		}
		fill = GuestUses
	}
	return fill
}

// Smallest widths of a bar's segments. Free space thinner than that, as what tables
// leave between partitions, is left out.
const (
	thinnest  Percent = 2_00
	leastFree Percent = 50
)

// bar gives each piece its width: to scale where every partition is seen then, else by
// the logarithm.
func bar(sizeBytes uint64, list []piece) (segments []Segment, log bool) {
	units := func(bytes uint64) uint64 { return min(bytes, 1<<50)/1024 + 1 } // no sum of these overflows
	var sum uint64
	for _, p := range list {
		sum += units(p.sizeBytes)
	}
	sum = max(sum, units(sizeBytes))
	scaled := func(p piece) Percent { return Percent(mulDiv(uint64(whole), units(p.sizeBytes), sum)) }
	list = slices.DeleteFunc(list, func(p piece) bool { return p.fill == Free && scaled(p) < leastFree })
	weights := make([]uint64, len(list))
	total := uint64(0)
	for _, p := range list {
		log = log || p.fill != Free && scaled(p) < thinnest
	}
	for i, p := range list {
		weights[i] = units(p.sizeBytes)
		if log {
			weights[i] = 8 + log2(p.sizeBytes>>20)
		}
		total += weights[i]
	}
	from := uint64(0)
	for i, p := range list {
		x := Percent(mulDiv(uint64(whole), from, total))
		from += weights[i]
		segments = append(segments, Segment{X: x, W: Percent(mulDiv(uint64(whole), from, total)) - x, Fill: p.fill, Number: p.number})
	}
	return segments, log
}

// log2 is eight times the logarithm to base 2, rounded down, by whole numbers alone:
// the same on every machine. Between powers it is a straight line.
func log2(n uint64) uint64 {
	if n == 0 {
		return 0
	}
	power := uint64(bits.Len64(n) - 1)
	return 8*power + mulDiv(8, n-1<<power, 1<<power)
}

// mulDiv is a*b/c where the product may have more than 64 bits; b is not above c.
func mulDiv(a, b, c uint64) uint64 {
	high, low := bits.Mul64(a, b)
	quotient, _ := bits.Div64(high, low, c)
	return quotient
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
