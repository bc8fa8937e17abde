package page

import (
	"cmp"
	"fmt"
	"slices"

	"lendkeep/reconcile/facts"
	"lendkeep/spec/plain"
)

// Node is what hangs on one NUMA node, or on a host that has no more than one.
type Node struct {
	Title    string // empty: there is one for all
	CPUs     string
	Branches []Place
}

// Place is a function with what hangs below it, or a fence round several places.
type Place struct {
	Function *Function // nil: it is a fence
	Fence    *Fence    // nil: it is a function
	Inside   []Place
}

// Fence goes round the members of one IOMMU group: the kernel lends them together or
// not at all.
type Fence struct {
	Words  string
	Others []Mention // members that are drawn elsewhere
}

// deepest is how far places are drawn within each other; what is further down stands
// beside its bridge. Real hosts have five levels of switches at most (PCI Express
// hierarchies of that depth are common practice), a survey may claim any.
const deepest = 12

// nodes draws every function of the host once.
func (d *drawing) nodes() []Node {
	h := &house{drawing: d, drawn: map[facts.Address]bool{}}
	var roots, inLoops []*facts.Function
	for i := range d.ix.Survey.Functions {
		f := &d.ix.Survey.Functions[i]
		if f.Upstream == nil || d.ix.Function(*f.Upstream) == nil {
			roots = append(roots, f)
		}
	}
	places := h.places(roots, nil, 0)
	for i := range d.ix.Survey.Functions { // bridges that a survey claims to be above each other
		if f := &d.ix.Survey.Functions[i]; !h.drawn[f.Address] {
			inLoops = append(inLoops, f)
		}
	}
	return h.byNode(append(places, h.places(inLoops, nil, 0)...))
}

// house is the house picture in the making.
type house struct {
	*drawing
	drawn map[facts.Address]bool
}

// places draws functions that hang at one bridge; around is the group of the fence
// that they stand in.
func (h *house) places(list []*facts.Function, around *int, depth int) []Place {
	var made []Place
	for _, f := range list {
		switch {
		case h.drawn[f.Address]:
		case f.Group != nil && around != nil && *f.Group == *around:
			made = append(made, h.place(f, around, depth)...)
		case f.Group != nil && (len(h.ix.Group(*f.Group)) > 1 || around != nil):
			made = append(made, h.fence(list, *f.Group, depth))
		default:
			made = append(made, h.place(f, nil, depth)...)
		}
	}
	return made
}

// place draws one function and what is below it.
func (h *house) place(f *facts.Function, around *int, depth int) []Place {
	h.drawn[f.Address] = true
	drawn := h.function(f)
	below := h.places(h.ix.Below(f.Address), around, depth+1)
	if depth < deepest {
		return []Place{{Function: &drawn, Inside: below}}
	}
	return append([]Place{{Function: &drawn}}, below...)
}

// fence draws those of a list that are in a group, with a fence round them.
func (h *house) fence(list []*facts.Function, group int, depth int) Place {
	var inside []Place
	for _, f := range list {
		if f.Group != nil && *f.Group == group && !h.drawn[f.Address] {
			inside = append(inside, h.place(f, &group, depth)...)
		}
	}
	within := map[facts.Address]bool{}
	enclosed(inside, within)
	fence := Fence{}
	members := h.ix.Group(group)
	for _, f := range members {
		if !within[f.Address] {
			fence.Others = append(fence.Others, h.mention(f.Address))
		}
	}
	switch {
	case len(members) == 1:
		fence.Words = "goes alone"
	case len(fence.Others) > 0:
		fence.Words = fmt.Sprintf("%d of %d that go together; with", len(members)-len(fence.Others), len(members))
	default:
		fence.Words = plain.Count(len(members), "function") + " that go together"
	}
	return Place{Fence: &fence, Inside: inside}
}

// enclosed notes all functions in places.
func enclosed(list []Place, within map[facts.Address]bool) {
	for _, p := range list {
		if p.Function != nil {
			within[p.Function.at] = true
		}
		enclosed(p.Inside, within)
	}
}

// byNode sorts branches by the node that they are near.
func (h *house) byNode(places []Place) []Node {
	byNumber := map[int][]Place{}
	cpus := map[int]string{}
	var numbers []int
	for _, p := range places {
		f := h.ix.Function(p.first().at)
		if _, known := byNumber[f.NUMANode]; !known {
			numbers = append(numbers, f.NUMANode)
		}
		byNumber[f.NUMANode] = append(byNumber[f.NUMANode], p)
		cpus[f.NUMANode] = cmp.Or(cpus[f.NUMANode], f.LocalCPUs)
	}
	slices.Sort(numbers)
	var list []Node
	for _, n := range numbers {
		node := Node{Branches: byNumber[n]}
		switch {
		case n >= 0:
			node.Title, node.CPUs = fmt.Sprintf("Node %d", n), cpus[n]
		case len(numbers) > 1:
			node.Title = "Of no node"
		}
		list = append(list, node)
	}
	return list
}

// first gives a place's first function.
func (p Place) first() *Function {
	for p.Function == nil {
		p = p.Inside[0]
	}
	return p.Function
}
