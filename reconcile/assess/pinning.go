package assess

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"lendkeep/reconcile/facts"
	"lendkeep/spec/plain"
)

// seat is what a guest needs on one node: a CPU for each of its processors, on
// whole cores.
type seat struct {
	who        string
	node       int
	processors int
}

// taken is CPUs that a guest has, whatever the map says.
type taken struct {
	who  string
	cpus facts.CPUs
}

// seated is what a guest gets; Why is set where it gets nothing, and how many
// processors it could have had.
type seated struct {
	CPUs []int // one for each processor, in their sequence
	Rest facts.CPUs
	Why  string
	Fit  int
}

// pin gives every guest its CPUs. A guest has whole cores of its node: the
// siblings of a core share its caches and execution units, and no two guests that
// may run at the same time (meets) share a core. Of each node one core is the
// host's; what of a guest is no processor of its runs there too, so that it takes
// no time from them. Cores that the kernel keeps free (isolcpus) are given first,
// then in the sequence of their numbers; guests choose in the given sequence, a
// guest's processors next to each other on the siblings of one core, as a guest
// with threads counts them (common practice for all of it).
//
// The same values give the same map, and what a guest gets depends on no guest
// behind it in the sequence.
func pin(t *facts.Topology, seats []seat, others []taken, meets func(a, b string) bool) map[string]seated {
	rooms := map[int]room{}
	got := map[string]seated{}
	for i, s := range seats {
		r, known := rooms[s.node]
		if !known {
			r = roomOn(t, s.node)
			rooms[s.node] = r
		}
		full := map[int]string{}
		for _, before := range seats[:i] {
			if meets(s.who, before.who) {
				for _, cpu := range got[before.who].CPUs {
					full[cpu] = before.who
				}
			}
		}
		for _, other := range others {
			if meets(s.who, other.who) {
				for cpu := range other.cpus {
					full[cpu] = other.who
				}
			}
		}
		got[s.who] = r.seat(s, full)
	}
	return got
}

// room is a node's cores: the host's, and the others in the sequence in which they
// are given.
type room struct {
	host  facts.CPUs
	cores []facts.CPUs
}

// roomOn lists the cores of a node. The host's is the first on which the kernel
// runs what it likes; where that is none, the first.
func roomOn(t *facts.Topology, node int) room {
	var r room
	n := t.Node(node)
	if n == nil {
		return r
	}
	on, _ := facts.ParseCPUs(n.CPUs)           // a node of memory alone has none
	isolated, _ := facts.ParseCPUs(t.Isolated) // often there are none
	for _, core := range t.Cores {
		if set, err := facts.ParseCPUs(core.CPUs); err == nil && set.Within(on) {
			r.cores = append(r.cores, set)
		}
	}
	slices.SortFunc(r.cores, func(a, b facts.CPUs) int {
		return cmp.Or(-compare(a.Meets(isolated), b.Meets(isolated)), cmp.Compare(a.Sorted()[0], b.Sorted()[0]))
	})
	if len(r.cores) == 0 {
		return r
	}
	host := max(0, slices.IndexFunc(r.cores, func(core facts.CPUs) bool { return !core.Meets(isolated) }))
	r.host = r.cores[host]
	r.cores = slices.Delete(r.cores, host, host+1)
	return r
}

func compare(a, b bool) int {
	switch {
	case a == b:
		return 0
	case a:
		return 1
	default:
		return -1
	}
}

// seat gives a guest the first cores of which nobody whom it meets has a CPU; full
// says who has which.
func (r room) seat(s seat, full map[int]string) seated {
	var cpus []int
	cores, threads := 0, 0
	var who []string
	for _, core := range r.cores {
		siblings := core.Sorted()
		if i := slices.IndexFunc(siblings, func(cpu int) bool { return full[cpu] != "" }); i >= 0 {
			if other := full[siblings[i]]; !slices.Contains(who, other) {
				who = append(who, other)
			}
			continue
		}
		cores, threads = cores+1, threads+len(siblings)
		cpus = append(cpus, siblings[:min(len(siblings), s.processors-len(cpus))]...)
	}
	if len(cpus) < s.processors {
		return seated{Why: r.short(s, cores, threads, who), Fit: threads}
	}
	return seated{CPUs: cpus, Rest: r.host}
}

// short says what there is instead.
func (r room) short(s seat, cores, threads int, who []string) string {
	has := fmt.Sprintf("%s of node %d besides the host's", plain.Count(len(r.cores), "whole core"), s.node)
	switch {
	case r.host == nil:
		return fmt.Sprintf("node %d has no processors", s.node)
	case len(who) > 0:
		return fmt.Sprintf("of the %s %d are left, for %s; the others are of %s", has, cores, plain.Count(threads, "processor"), strings.Join(who, ", "))
	default:
		return fmt.Sprintf("the %s are for %s", has, plain.Count(threads, "processor"))
	}
}
