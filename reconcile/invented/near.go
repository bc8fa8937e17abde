package invented

import (
	"fmt"

	"pgregory.net/rapid"

	"lendkeep/reconcile/facts"
	"lendkeep/spec"
)

// nodes gives some hosts one or two NUMA nodes, and the functions a place on them; some
// of the pages are reserved, or there is little memory.
func (r *random) nodes() {
	if !r.chance(70, "nodes") {
		return
	}
	count := rapid.IntRange(1, 2).Draw(r.t, "how many nodes")
	r.b.Nodes(count, rapid.IntRange(2, 4).Draw(r.t, "cores"))
	for i := range r.b.Survey.Functions {
		f := &r.b.Survey.Functions[i]
		if f.Parent != nil {
			f.NUMANode = r.b.Function(*f.Parent).NUMANode
			continue
		}
		f.NUMANode = rapid.IntRange(-1, count-1).Draw(r.t, "node of "+f.Address.String())
	}
	m := &r.b.Survey.Machine
	for i := range r.b.Survey.Topology.Nodes {
		n := &r.b.Survey.Topology.Nodes[i]
		switch rapid.IntRange(0, 9).Draw(r.t, "pages of the node") {
		case 5, 6: // some, more or fewer than are needed
			p := &n.HugePages[0]
			p.Total = rapid.SampledFrom([]int{100, 512, 2000}).Draw(r.t, "reserved")
			p.Free = p.Total
			m.HugePages[0].Total, m.HugePages[0].Free = m.HugePages[0].Total+p.Total, m.HugePages[0].Free+p.Total
			n.FreeBytes -= uint64(p.Total) * p.SizeBytes
		case 7:
			n.FreeBytes = 200 << 20
		case 8:
			m.MemoryBytes -= n.MemoryBytes - 2<<30
			n.MemoryBytes, n.FreeBytes = 2<<30, 1<<30
		}
	}
}

// holders gives libvirt guests that have some of it, are pinned somewhere, or have their
// memory in huge pages.
func (r *random) holders(list []kind) {
	r.shelf = []string{"/srv/shelf"}
	for n := range rapid.IntRange(0, 3).Draw(r.t, "known guests") {
		name := fmt.Sprintf("g%d", n)
		image := rapid.SampledFrom([]string{"/srv/images/" + name + ".qcow2", "", "/srv/shelf/guest.qcow2"}).Draw(r.t, "image")
		var lent []facts.Identity
		for _, k := range list {
			if k.record != (facts.Identity{}) && r.chance(15, "has "+k.stated.Name) {
				lent = append(lent, k.record)
			}
		}
		r.b.Guest(name, image, lent...)
		r.hide(image)
		if len(r.b.Survey.Topology.Nodes) == 0 {
			continue
		}
		if r.chance(20, "pinned") {
			r.b.Edit(name, "<os", "<cputune><vcpupin vcpu='0' cpuset='"+rapid.SampledFrom([]string{"1", "2-3"}).Draw(r.t, "to")+"'/></cputune><os")
		}
		if r.chance(15, "in huge pages") {
			r.b.Edit(name, "<os", "<memoryBacking><hugepages/></memoryBacking><os")
		}
		if r.chance(15, "bound") {
			r.b.Edit(name, "<os", "<numatune><memory mode='strict' nodeset='0'/></numatune><os")
		}
	}
}

func (r *random) kindsLayout(list []kind) *spec.Layout {
	var controllers []spec.Controller
	for _, k := range list {
		controllers = append(controllers, k.stated)
	}
	var guests []spec.Guest
	var names [2][]string
	for n := range rapid.IntRange(1, 3).Draw(r.t, "stated guests") {
		var borrows []string
		for _, k := range list {
			if k.borrowed && r.chance(25, "borrows "+k.stated.Name) {
				borrows = append(borrows, k.stated.Name)
			}
		}
		g := Guest(fmt.Sprintf("g%d", n), borrows...)
		g.Boots = nil
		r.sits(&g)
		guests = append(guests, g)
		if s := rapid.IntRange(0, 2).Draw(r.t, "shift"); s < 2 {
			names[s] = append(names[s], g.Name)
		}
	}
	return Layout(controllers, guests, Shift("day", names[0]...), Shift("night", names[1]...))
}

// sits states where a guest runs and in what memory.
func (r *random) sits(g *spec.Guest) {
	if r.chance(60, "processors") {
		g.CPU = &spec.CPU{Count: rapid.IntRange(1, 4).Draw(r.t, "count"), At: place()}
		if len(g.Borrows) > 0 && r.chance(70, "near") {
			g.CPU.Near = &g.Borrows[0]
		}
	}
	if r.chance(60, "memory") {
		g.Memory = &spec.Memory{SizeBytes: uint64(rapid.IntRange(1, 3).Draw(r.t, "gib")) << 30, At: place()}
		if pages := r.chance(70, "huge pages"); pages || r.chance(30, "none stated") {
			g.Memory.HugePages = &pages
		}
		if g.Memory.HugePages != nil && *g.Memory.HugePages {
			g.Memory.PageBytes = rapid.SampledFrom([]uint64{0, 2 << 20, 1 << 30}).Draw(r.t, "size of them")
		}
	}
}
