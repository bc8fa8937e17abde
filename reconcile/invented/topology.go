package invented

import "lendkeep/reconcile/facts"

// Nodes gives a builder's host that many NUMA nodes of 16 GiB, each with cores of
// two threads: the second threads are numbered behind all first ones, as most
// machines number them. Each has no huge pages yet, of 2 MiB and of 1 GiB.
func (b *Builder) Nodes(count, cores int) {
	t := &b.Survey.Topology
	*t = facts.Topology{PageSize: 2 << 20}
	all := facts.CPUs{}
	for n := range count {
		on := facts.CPUs{}
		node := facts.Node{Number: n, MemoryBytes: 16 << 30, FreeBytes: 15 << 30,
			HugePages: []facts.Pages{{SizeBytes: 2 << 20}, {SizeBytes: 1 << 30}}}
		for c := range cores {
			first, second := n*cores+c, (count+n)*cores+c
			core := facts.CPUs{first: true, second: true}
			on[first], on[second], all[first], all[second] = true, true, true, true
			t.Cores = append(t.Cores, facts.Core{CPUs: core.String(), ID: c, Package: n})
		}
		for other := range count {
			node.Distances = append(node.Distances, map[bool]int{true: 10, false: 21}[other == n])
		}
		node.CPUs = on.String()
		t.Nodes = append(t.Nodes, node)
	}
	t.Online = all.String()
	m := &b.Survey.Machine
	m.CPUs, m.MemoryBytes = len(all), uint64(count)*16<<30
	m.HugePages = []facts.Pages{{SizeBytes: 2 << 20}, {SizeBytes: 1 << 30}}
}
