package twin

import (
	"fmt"

	"lendkeep/reconcile/facts"
)

// Bounds of a machine: all of it fits into 4 GB of memory together with what QEMU
// takes for itself; libvirt and a guest need at least the smaller size (measured).
const (
	leastMemoryBytes = 2560 << 20
	mostMemoryBytes  = 3072 << 20
	mostProcessors   = 4
	mostNodes        = 4
	leastNodeMiB     = 256
)

// size deals out memory, processors and nodes.
func (c *copying) size() {
	m := c.survey.Machine
	c.m.Name, c.m.IOMMU = m.Name, m.IOMMUs > 0
	c.m.MemoryBytes = min(max(m.MemoryBytes>>20<<20, leastMemoryBytes), mostMemoryBytes)
	nodes := c.surveyedNodes()
	c.m.Processors = min(max(m.CPUs, 2, nodes), mostProcessors)
	if nodes > 1 {
		c.m.Nodes = c.nodes(nodes)
	}
	if c.m.MemoryBytes != m.MemoryBytes {
		c.unlike.add("memory", "", fmt.Sprintf("%d MiB", c.m.MemoryBytes>>20), "whether guests together find the memory that they ask for")
	}
	if m.IOMMUs > 1 {
		c.unlike.add("iommus", "", "one", "which unit a function is behind")
	}
	if c.m.Processors != m.CPUs {
		c.unlike.add("processors", "", fmt.Sprint(c.m.Processors), "how many a guest may have, and which are near its drives")
	}
}

// surveyedNodes counts the nodes that the machine has: those of the host, or where
// it does not say, those that its functions name.
func (c *copying) surveyedNodes() int {
	count := len(c.survey.Topology.Nodes)
	for i := range c.survey.Functions {
		count = max(count, min(c.survey.Functions[i].NUMANode, mostNodes)+1)
	}
	for i, n := range c.survey.Topology.Nodes {
		if n.Number != i || i >= mostNodes {
			c.unlike.add("node", fmt.Sprint(n.Number), "another number, or none", "what is near which drive")
		}
	}
	return min(max(count, 1), mostNodes)
}

// nodes deals memory out in proportion to that of the host's nodes, and processors
// evenly.
func (c *copying) nodes(count int) []Node {
	weights, sum := make([]uint64, count), uint64(0)
	for i := range weights {
		if weights[i] = 1; i < len(c.survey.Topology.Nodes) {
			weights[i] = min(c.survey.Topology.Nodes[i].MemoryBytes>>20, 1<<32) + 1 // none may have nothing
		}
		sum += weights[i]
	}
	total := c.m.MemoryBytes >> 20
	list, left := make([]Node, count), total
	for i := range list {
		mib := leastNodeMiB + (total-leastNodeMiB*uint64(count))*weights[i]/sum
		if i == count-1 {
			mib = left
		}
		left -= mib
		list[i].MemoryBytes = mib << 20
		list[i].Processors = c.m.Processors*(i+1)/count - c.m.Processors*i/count
	}
	return list
}

// near tells of functions that are near another node than on the host: only those
// below a further root are said to be near one.
func (c *copying) near() {
	for i := range c.m.Roots {
		r := &c.m.Roots[i]
		each(r.Parts, func(p *Part) {
			if f := c.surveyed(p); f != nil && f.NUMANode != r.Node {
				c.unlike.add("numa_node", f.Address.String(), fmt.Sprint(r.Node), "whether a guest is near its drive")
			}
		})
	}
}

// surveyed gives the function that a part stands for, nil where it is added.
func (c *copying) surveyed(p *Part) *facts.Function {
	if p.Of == nil {
		return nil
	}
	return c.ix.Function(*p.Of)
}
