package page

import (
	"cmp"
	"math/bits"
	"slices"

	"lendkeep/reconcile/facts"
)

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
// leave between partitions, is left out. By the logarithm, each piece has leastSeen
// before the rest is shared out, or half of an equal share where there are very many.
const (
	thinnest  Percent = 2_00
	leastFree Percent = 50
	leastSeen Percent = 25
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
	each := Percent(0)
	if log {
		each = min(leastSeen, whole/2/Percent(len(list)))
	}
	shared := uint64(whole - each*Percent(len(list)))
	x, from := Percent(0), uint64(0)
	for i, p := range list {
		from += weights[i]
		end := each*Percent(i+1) + Percent(mulDiv(shared, from, total))
		segments = append(segments, Segment{X: x, W: end - x, Fill: p.fill, Number: p.number})
		x = end
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
