package facts

import (
	"fmt"
	"slices"
)

// Topology is how the host's processors and memory lie to each other. What could
// not be read of it is in Gaps, and keeps nothing from being lent.
type Topology struct {
	Nodes    []Node `json:"nodes,omitempty"`           // by number; empty: the kernel shows none (it is built without CONFIG_NUMA)
	Cores    []Core `json:"cores,omitempty"`           // of the processors online, by the first of each
	Online   string `json:"online_cpus,omitempty"`     // /sys/devices/system/cpu/online, "0-7"
	Isolated string `json:"isolated_cpus,omitempty"`   // /sys/devices/system/cpu/isolated, on which the kernel puts nothing by itself; empty: none
	Tickless string `json:"tickless_cpus,omitempty"`   // /sys/devices/system/cpu/nohz_full, without a timer's tick while one thread runs; empty: none
	PageSize uint64 `json:"huge_page_bytes,omitempty"` // Hugepagesize of /proc/meminfo: of a huge page where no size is named; 0: not said
	Gaps     []Gap  `json:"gaps,omitempty"`            // what could not be read of it
}

// Node is a NUMA node: /sys/devices/system/node/nodeN (Linux
// Documentation/ABI/stable/sysfs-devices-node).
type Node struct {
	Number      int     `json:"number"`               // as Function.NUMANode has it
	CPUs        string  `json:"cpus,omitempty"`       // cpulist, those online; empty: it has none
	MemoryBytes uint64  `json:"memory_bytes"`         // MemTotal of meminfo; 0: it has none
	FreeBytes   uint64  `json:"free_bytes"`           // MemFree of meminfo
	Distances   []int   `json:"distances,omitempty"`  // distance, to each node in the sequence of their numbers; 10 is to itself
	HugePages   []Pages `json:"huge_pages,omitempty"` // hugepages, by size
}

// Core is a core of a processor: threads that share all of it. Files are below
// /sys/devices/system/cpu/cpuN/topology, where N is its first.
type Core struct {
	CPUs    string `json:"cpus"`    // thread_siblings_list, "2,34"
	ID      int    `json:"id"`      // core_id; told from others of its package by it
	Package int    `json:"package"` // physical_package_id
}

// Node gives the node of that number, or nil.
func (t *Topology) Node(number int) *Node {
	i := slices.IndexFunc(t.Nodes, func(n Node) bool { return n.Number == number })
	if i < 0 {
		return nil
	}
	return &t.Nodes[i]
}

// Gap gives the first gap of one of these facts, or nil when all were read.
func (t *Topology) Gap(of ...string) *Gap {
	for _, fact := range of {
		if gap := gapOf(t.Gaps, fact); gap != nil {
			return gap
		}
	}
	return nil
}

// Pages gives the node's reserve of one size, or nil where the kernel has none of
// that size.
func (n *Node) Pages(sizeBytes uint64) *Pages {
	i := slices.IndexFunc(n.HugePages, func(p Pages) bool { return p.SizeBytes == sizeBytes })
	if i < 0 {
		return nil
	}
	return &n.HugePages[i]
}

// Kept gives how many pages the kernel keeps, whoever uses them: what
// nr_hugepages was set to (Linux Documentation/admin-guide/mm/hugetlbpage.rst).
func (p Pages) Kept() int { return p.Total - p.Surplus }

// soundTopology refuses sets of processors that are none, and a node, a size of
// page or a processor that is there twice: of the two one would be counted.
func (s Survey) soundTopology() error {
	if err := twice("node", s.Topology.Nodes, func(n Node) string { return fmt.Sprint(n.Number) }); err != nil {
		return err
	}
	for _, n := range s.Topology.Nodes {
		if err := twice(fmt.Sprintf("size of huge page of node %d", n.Number), n.HugePages, func(p Pages) string { return fmt.Sprint(p.SizeBytes) }); err != nil {
			return err
		}
		if slices.ContainsFunc(n.HugePages, func(p Pages) bool { return p.SizeBytes == 0 }) {
			return fmt.Errorf("node %d has huge pages of no size", n.Number)
		}
	}
	for _, set := range []string{s.Topology.Online, s.Topology.Isolated, s.Topology.Tickless} {
		if _, err := ParseCPUs(set); err != nil && set != "" {
			return err
		}
	}
	if err := s.Topology.disjoint("nodes", len(s.Topology.Nodes), func(i int) string { return s.Topology.Nodes[i].CPUs }); err != nil {
		return err
	}
	return s.Topology.disjoint("cores", len(s.Topology.Cores), func(i int) string { return s.Topology.Cores[i].CPUs })
}

func (t Topology) disjoint(what string, count int, of func(int) string) error {
	seen := CPUs{}
	for i := range count {
		if of(i) == "" {
			continue
		}
		set, err := ParseCPUs(of(i))
		if err != nil {
			return fmt.Errorf("%s: %w", what, err)
		}
		for n := range set {
			if seen[n] {
				return fmt.Errorf("CPU %d is of two %s", n, what)
			}
			seen[n] = true
		}
	}
	return nil
}
