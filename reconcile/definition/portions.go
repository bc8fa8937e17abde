package definition

import (
	"cmp"
	"math"
	"math/bits"
	"strconv"

	"github.com/beevik/etree"

	"lendkeep/reconcile/facts"
)

// mostNodes is more NUMA nodes than QEMU gives a guest (include/sysemu/numa.h,
// MAX_NODES, from memory), and as much as is looked at of each of their lists.
const mostNodes = 256

func few(e *etree.Element, name string) []*etree.Element {
	list := children(e, name)
	return list[:min(len(list), mostNodes)]
}

// readPortions reads the huge pages of a guest with NUMA nodes of its own, and memory
// devices in them, of which each may have a size of page and a node of the host for
// itself (libvirt domain format, <hugepages>, <memnode>, "Memory devices"). What is
// said in a way that libvirt does not take says nothing.
func readPortions(guest *etree.Element, d *facts.Definition) {
	if !d.HugePages {
		return
	}
	for n, cell := range few(at(guest, "cpu", "numa"), "cell") {
		node := cmp.Or(attr(cell, "id"), strconv.Itoa(n))
		if size, huge := pageFor(guest, node); huge {
			d.Portions = append(d.Portions, facts.Portion{Bytes: amount(attr(cell, "memory"), attr(cell, "unit")), PageBytes: size, Nodes: nodesFor(guest, node, d)})
		}
	}
	for _, module := range few(child(guest, "devices"), "memory") {
		holds := cmp.Or(at(module, "target", "requested"), at(module, "target", "size"))
		node := text(at(module, "target", "node"))
		size, huge := pageFor(guest, node)
		if own := at(module, "source", "pagesize"); own != nil {
			size, huge = amount(text(own), attr(own, "unit")), true
		}
		if !huge || holds == nil {
			continue
		}
		p := facts.Portion{Bytes: amount(text(holds), attr(holds, "unit")), PageBytes: size, Nodes: nodesFor(guest, node, d)}
		if nodes, err := facts.ParseCPUs(text(at(module, "source", "nodemask"))); err == nil {
			p.Nodes = nodes.String()
		}
		d.Portions = append(d.Portions, p)
	}
	if len(d.Portions) == 1 && d.Portions[0] == (facts.Portion{Bytes: d.MemoryBytes, PageBytes: d.PageBytes, Nodes: d.MemoryNodes}) {
		d.Portions = nil
	}
}

// pageFor gives the size of huge page that one of a guest's nodes is in, 0 for the
// host's default: that of the <page> which names it, else of the one which names none
// (libvirt src/qemu/qemu_command.c, qemuBuildMemoryGetPagesize). False: it is in
// ordinary pages.
func pageFor(guest *etree.Element, node string) (size uint64, huge bool) {
	pages := few(at(guest, "memoryBacking", "hugepages"), "page")
	number, err := strconv.Atoi(node)
	for _, page := range pages {
		if set, bad := facts.ParseCPUs(attr(page, "nodeset")); bad == nil && err == nil && set[number] {
			size, _ = pageBytes(page)
			return size, true
		}
	}
	for _, page := range pages {
		if attr(page, "nodeset") == "" {
			size, _ = pageBytes(page)
			return size, true
		}
	}
	return 0, len(pages) == 0
}

// nodesFor gives the nodes of the host that memory of one of a guest's nodes comes
// from alone; empty: any.
func nodesFor(guest *etree.Element, node string, d *facts.Definition) string {
	for _, bound := range few(child(guest, "numatune"), "memnode") {
		if attr(bound, "cellid") != node {
			continue
		}
		nodes, err := facts.ParseCPUs(attr(bound, "nodeset"))
		if err != nil || attr(bound, "mode") != "strict" {
			return ""
		}
		return nodes.String()
	}
	return d.MemoryNodes
}

// amount reads a number of bytes; 0 where it is none.
func amount(number, unit string) uint64 {
	value, err := strconv.ParseUint(number, 10, 64)
	scale, unknown := scaleOf(unit)
	if high, low := bits.Mul64(value, scale); err == nil && unknown == nil && high == 0 && low <= math.MaxInt64 {
		return low
	}
	return 0
}
