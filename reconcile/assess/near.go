// near: a guest shall run near a controller (`near`), and cannot: which NUMA node
// the controller is on is not known, that node has no memory or no processors, or
// not enough whole cores for the guest beside those that may run at the same time.
//
// Also told is where libvirt sees other CPUs there than the kernel shows.
//
// A core is the guest's with all its siblings, and one core of each node stays the
// host's. Guests of other shifts share; those that libvirt knows and the layout
// does not keep what they are pinned to.
//
// Severity: caution. The guest is not pinned then: what its definition says of
// that stays, and the rest of the order is carried out.
//
// Remedy: give the guest fewer processors, or put the guests into different shifts.
// A card is on the node of its slot: which slot belongs to which, the maker's
// manual says.
package assess

import (
	"fmt"
	"slices"
	"strings"

	"lendkeep/reconcile/definition"
	"lendkeep/reconcile/facts"
	"lendkeep/spec"
)

// Nearness is where on the host a guest runs that states so.
type Nearness struct {
	Map *definition.Near // nil: nowhere in particular
	Why string           // why it is not where the layout says; empty: it is, or nothing is stated
	Fit int              // how many processors it could have had where Why is about those
}

// Near gives the node and CPUs of a guest. Its controller may not have been found:
// then nothing is said.
func (c *Case) Near(g *spec.Guest) Nearness {
	node, why := c.nodeOf(g)
	switch {
	case g.CPU == nil || g.CPU.Near == nil || c.Found(g.CPU.Near.Name).Function == nil:
		return Nearness{}
	case why != "":
		return Nearness{Why: why}
	}
	got := c.seated()[g.Name]
	if got.Why != "" {
		return Nearness{Why: got.Why, Fit: got.Fit}
	}
	return Nearness{Map: &definition.Near{Node: node, CPUs: got.CPUs, Rest: got.Rest.String()}}
}

// nodeOf gives the NUMA node that a guest shall be on, or why that is not known. A
// host of one node need not say it of a function.
func (c *Case) nodeOf(g *spec.Guest) (node int, why string) {
	if g.Retired || g.CPU == nil || g.CPU.Near == nil {
		return 0, "nothing is stated"
	}
	f := c.Found(g.CPU.Near.Name).Function
	if f == nil {
		return 0, "its controller is not found"
	}
	t := &c.Facts.Survey.Topology
	node = f.NUMANode
	if gap := f.Gap("numa_node"); gap != nil {
		return 0, "numa_node of the controller could not be read: " + gap.Reason
	}
	if node < 0 && len(t.Nodes) == 1 {
		node = t.Nodes[0].Number
	}
	if gap := t.Gap("nodes", "online_cpus", "cores", "isolated_cpus", fmt.Sprint("node ", node)); gap != nil {
		return 0, fmt.Sprintf("%s could not be read: %s", gap.Path, gap.Reason)
	}
	switch n := t.Node(node); {
	case len(t.Nodes) == 0:
		return 0, "the kernel shows no NUMA nodes"
	case node < 0:
		return 0, fmt.Sprintf("which of the host's %d nodes it is on is not said (numa_node is %d)", len(t.Nodes), node)
	case n == nil:
		return 0, fmt.Sprintf("the host has no node %d, which numa_node says", node)
	case n.MemoryBytes == 0:
		return 0, fmt.Sprintf("node %d has no memory", node)
	}
	return node, ""
}

// seated gives the map of CPUs; computed once. It does not depend on the shift that
// is aimed at, so that no shift's order undoes another's.
func (c *Case) seated() map[string]seated {
	if c.seats != nil {
		return c.seats
	}
	var seats []seat
	var others []taken
	for i := range c.Layout.Guests {
		g := &c.Layout.Guests[i]
		if node, why := c.nodeOf(g); why == "" {
			seats = append(seats, seat{g.Name, node, g.CPU.Count})
		}
	}
	placed := map[string]bool{}
	for _, s := range seats {
		placed[s.who] = true
	}
	for i := range c.Facts.Survey.Libvirt.Guests {
		other := &c.Facts.Survey.Libvirt.Guests[i]
		if g := c.Stated(other.Name); placed[other.Name] || g != nil && g.Retired {
			continue
		}
		for _, d := range other.Definitions() {
			if set, err := facts.ParseCPUs(d.Pinned); err == nil {
				others = append(others, taken{other.Name, set})
			}
		}
	}
	c.seats = pin(&c.Facts.Survey.Topology, seats, others, c.mayMeet())
	return c.seats
}

// mayMeet tells of two guests whether they may run at the same time: those of one
// shift do, and whoever is in no shift, or not in the layout, may with anybody.
func (c *Case) mayMeet() func(a, b string) bool {
	shifts := map[string][]string{}
	for _, s := range c.Layout.Shifts {
		for _, ref := range s.Guests {
			shifts[ref.Name] = append(shifts[ref.Name], s.Name)
		}
	}
	return func(a, b string) bool {
		return len(shifts[a]) == 0 || len(shifts[b]) == 0 ||
			slices.ContainsFunc(shifts[a], func(s string) bool { return slices.Contains(shifts[b], s) })
	}
}

func checkNear(c *Case) []Finding {
	var list []Finding
	for i := range c.Layout.Guests {
		g := &c.Layout.Guests[i]
		near := c.Near(g)
		if near.Why == "" {
			list = append(list, c.otherCores(g, near)...)
			continue
		}
		controller := g.CPU.Near.Name
		f := Finding{Severity: Caution, At: g.CPU.At,
			Summary:  shorten(fmt.Sprintf("guest %s cannot be near %s", g.Name, controller)),
			Detail:   fmt.Sprintf("Of controller %s: %s. The guest is not pinned; it runs wherever the host and its definition let it.", controller, near.Why),
			Causes:   []Cause{{g.CPU.At.String(), fmt.Sprintf("count = %d, near = controller.%s", g.CPU.Count, controller)}, causeOf(c.Found(controller).Function, "numa_node", fmt.Sprint(c.Found(controller).Function.NUMANode))},
			Remedies: []string{"take near out of the layout"},
		}
		if near.Fit > 0 {
			f.Remedies = append([]string{fmt.Sprintf("give guest %s fewer processors: count = %d fits", g.Name, near.Fit)}, f.Remedies...)
		}
		if near.Fit > 0 || len(c.Layout.Shifts) > 0 {
			f.Remedies = append(f.Remedies, "put guests that are near the same controller into different shifts")
		}
		f.Remedies = append(f.Remedies, c.otherNode(controller)...)
		list = append(list, f)
	}
	return list
}

// otherCores tells where libvirt, which does the pinning, takes other CPUs for the
// node's than the kernel shows: it reads them once, when it begins.
func (c *Case) otherCores(g *spec.Guest, near Nearness) []Finding {
	cells := c.Facts.Survey.Libvirt.Cells
	if near.Map == nil || len(cells) == 0 {
		return nil
	}
	n := c.Facts.Survey.Topology.Node(near.Map.Node)
	var ours []string
	on, _ := facts.ParseCPUs(n.CPUs) // it has some, since there is a map
	for _, core := range c.Facts.Survey.Topology.Cores {
		if set, err := facts.ParseCPUs(core.CPUs); err == nil && set.Within(on) {
			ours = append(ours, core.CPUs)
		}
	}
	theirs := facts.Cell{CPUs: none}
	if i := slices.IndexFunc(cells, func(cell facts.Cell) bool { return cell.Node == n.Number }); i >= 0 {
		theirs = cells[i]
	}
	slices.Sort(ours)
	if theirs.CPUs == n.CPUs && slices.Equal(ours, slices.Sorted(slices.Values(theirs.Cores))) {
		return nil
	}
	return []Finding{{Severity: Caution, At: g.CPU.At,
		Summary: shorten(fmt.Sprintf("libvirt sees other CPUs on node %d", n.Number)),
		Detail:  fmt.Sprintf("Guest %s shall run there, on whole cores; the kernel and libvirt do not agree on which those are. libvirt reads them when it begins.", g.Name),
		Causes: []Cause{{fmt.Sprintf("/sys/devices/system/node/node%d/cpulist", n.Number), n.CPUs + ", cores " + strings.Join(ours, " and ")},
			{"virsh capabilities, <topology>", theirs.CPUs + ", cores " + strings.Join(theirs.Cores, " and ")}},
		Remedies: []string{"see which CPUs are online: lscpu --all --extended", "restart libvirt, which ends no guest, and survey again"},
	}}
}

// otherNode gives where a controller had better be, if that is known: the nearest
// node with processors and memory.
func (c *Case) otherNode(controller string) []string {
	t := &c.Facts.Survey.Topology
	at := t.Node(c.Found(controller).Function.NUMANode)
	if at == nil {
		return nil
	}
	best := -1
	for i, n := range t.Nodes {
		if n.Number == at.Number || n.CPUs == "" || n.MemoryBytes == 0 || i >= len(at.Distances) {
			continue
		}
		if best < 0 || at.Distances[i] < at.Distances[best] {
			best = i
		}
	}
	if best < 0 {
		return nil
	}
	return []string{fmt.Sprintf("move the card to a slot of node %d, as its maker's manual says: powered off, unplugged, with ESD precautions", t.Nodes[best].Number)}
}
