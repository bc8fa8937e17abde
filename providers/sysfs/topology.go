package sysfs

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"lendkeep/reconcile/facts"
)

// readTopology reads nodes and cores. Of a core its first processor alone is
// asked: the kernel makes the lists of its siblings from one mask.
func (s *survey) readTopology() {
	t := &s.out.Topology
	cpu := place{&s.reader, "sys/devices/system/cpu", &t.Gaps}
	t.Online = cpu.set("online_cpus", "online").String()
	t.Isolated = cpu.set("isolated_cpus", "isolated").String()
	t.Tickless = cpu.set("tickless_cpus", "nohz_full").String()
	if online, err := facts.ParseCPUs(t.Online); err == nil {
		t.Cores = cpu.cores(online)
	}
	nodes := place{&s.reader, "sys/devices/system/node", &t.Gaps}
	for _, name := range nodes.names("nodes") {
		number, found := strings.CutPrefix(name, "node")
		if n, err := strconv.ParseUint(number, 10, 16); found && err == nil {
			t.Nodes = append(t.Nodes, s.node(int(n), nodes.dir+"/"+name, t))
		}
	}
	slices.SortFunc(t.Nodes, func(a, b facts.Node) int { return cmp.Compare(a.Number, b.Number) })
}

// set reads a set of processors; one that is not there or has none is empty.
// Kernels write "(null)" where there is no mask (drivers/base/cpu.c,
// print_cpus_nohz_full).
func (p place) set(fact, name string) facts.CPUs {
	text, _ := p.textIfAny(fact, name)
	if text == "" || text == "(null)" {
		return nil
	}
	set, err := facts.ParseCPUs(text)
	if err != nil {
		p.gap(fact, name, unexpected(text))
	}
	return set
}

func (p place) cores(online facts.CPUs) []facts.Core {
	var list []facts.Core
	seen := facts.CPUs{}
	for _, n := range online.Sorted() {
		if seen[n] {
			continue
		}
		dir := fmt.Sprintf("cpu%d/topology/", n)
		text := p.text("cores", dir+"thread_siblings_list")
		if text == "" {
			continue // a gap says so
		}
		siblings, err := facts.ParseCPUs(text)
		if err != nil || !siblings[n] || siblings.Meets(seen) {
			p.gap("cores", dir+"thread_siblings_list", unexpected(text))
			continue
		}
		for sibling := range siblings {
			seen[sibling] = true
		}
		list = append(list, facts.Core{CPUs: siblings.String(), ID: p.signed("cores", dir+"core_id"), Package: p.signed("cores", dir+"physical_package_id")})
	}
	return list
}

// signed gives a number that some machines say as -1.
func (p place) signed(fact, name string) int {
	text := p.text(fact, name)
	number, err := strconv.ParseInt(text, 10, 32)
	if err != nil && text != "" {
		p.gap(fact, name, unexpected(text))
	}
	return int(number)
}

func (s *survey) node(number int, dir string, t *facts.Topology) facts.Node {
	p := place{&s.reader, dir, &t.Gaps}
	fact := fmt.Sprintf("node %d", number)
	n := facts.Node{Number: number, CPUs: p.set(fact, "cpulist").String()}
	content, err := s.read(dir + "/meminfo")
	if err == nil {
		n.MemoryBytes, err = meminfo(content, "MemTotal:")
	}
	if err == nil {
		n.FreeBytes, err = meminfo(content, "MemFree:")
	}
	if err != nil {
		p.gap(fact, "meminfo", err)
	}
	for _, word := range strings.Fields(p.text(fact, "distance")) {
		distance, err := strconv.ParseUint(word, 10, 16)
		if err != nil {
			p.gap(fact, "distance", unexpected(word))
			break
		}
		n.Distances = append(n.Distances, int(distance))
	}
	pages := place{&s.reader, dir + "/hugepages", &t.Gaps}
	if n.HugePages = pages.pages(fact); len(n.HugePages) > 0 {
		pages.surplus(fact, n.HugePages)
	}
	return n
}

// surplus reads what each reserve of a node has beyond what was asked for.
func (p place) surplus(fact string, list []facts.Pages) {
	for i := range list {
		name := fmt.Sprintf("hugepages-%dkB/surplus_hugepages", list[i].SizeBytes>>10)
		list[i].Surplus = int(p.number(fact, name, 10, 31))
	}
}
