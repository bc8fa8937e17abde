package assess

import (
	"fmt"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"lendkeep/reconcile/facts"
)

// nodes makes a host of nodes with cores of that many threads, the second threads
// numbered behind all first ones, as most machines do.
func nodes(count, cores, threads int) *facts.Topology {
	t := &facts.Topology{}
	all := count * cores
	for n := range count {
		on := facts.CPUs{}
		for c := range cores {
			core := facts.CPUs{}
			for thread := range threads {
				core[n*cores+c+thread*all] = true
				on[n*cores+c+thread*all] = true
			}
			t.Cores = append(t.Cores, facts.Core{CPUs: core.String(), ID: c, Package: n})
		}
		t.Nodes = append(t.Nodes, facts.Node{Number: n, CPUs: on.String()})
	}
	return t
}

func setOf(list []int) facts.CPUs {
	set := facts.CPUs{}
	for _, n := range list {
		set[n] = true
	}
	return set
}

func TestPinning(t *testing.T) {
	isolated := nodes(2, 4, 2)
	isolated.Isolated = "2-3,10-11"
	allIsolated := nodes(1, 3, 1)
	allIsolated.Isolated = "0-2"
	together := func(string, string) bool { return true }
	apart := func(a, b string) bool { return a == b }
	for _, test := range []struct {
		name   string
		t      *facts.Topology
		seats  []seat
		others []taken
		meets  func(a, b string) bool
		want   map[string]seated
	}{
		{"siblings stand side by side", nodes(2, 4, 2), []seat{{"a", 1, 3}}, nil, together,
			map[string]seated{"a": {CPUs: []int{5, 13, 6}, Rest: setOf([]int{4, 12})}}},
		{"a core is not shared", nodes(2, 4, 2), []seat{{"a", 0, 3}, {"b", 0, 2}}, nil, together,
			map[string]seated{"a": {CPUs: []int{1, 9, 2}, Rest: setOf([]int{0, 8})}, "b": {CPUs: []int{3, 11}, Rest: setOf([]int{0, 8})}}},
		{"guests of other shifts have the same cores", nodes(2, 4, 2), []seat{{"a", 0, 6}, {"b", 0, 6}}, nil, apart,
			map[string]seated{"a": {CPUs: []int{1, 9, 2, 10, 3, 11}, Rest: setOf([]int{0, 8})}, "b": {CPUs: []int{1, 9, 2, 10, 3, 11}, Rest: setOf([]int{0, 8})}}},
		{"one core is the host's", nodes(1, 4, 2), []seat{{"a", 0, 7}}, nil, together,
			map[string]seated{"a": {Why: "the 3 whole cores of node 0 besides the host's are for 6 processors", Fit: 6}}},
		{"who does not fit takes nothing", nodes(1, 4, 1), []seat{{"a", 0, 2}, {"b", 0, 2}, {"c", 0, 1}}, nil, together,
			map[string]seated{"a": {CPUs: []int{1, 2}, Rest: setOf([]int{0})}, "c": {CPUs: []int{3}, Rest: setOf([]int{0})},
				"b": {Why: "of the 3 whole cores of node 0 besides the host's 1 are left, for 1 processor; the others are of a", Fit: 1}}},
		{"pins of others count, on a sibling too", nodes(1, 4, 2), []seat{{"a", 0, 2}}, []taken{{"x", setOf([]int{5})}}, together,
			map[string]seated{"a": {CPUs: []int{2, 6}, Rest: setOf([]int{0, 4})}}},
		{"what the kernel keeps free comes first", isolated, []seat{{"a", 0, 5}}, nil, together,
			map[string]seated{"a": {CPUs: []int{2, 10, 3, 11, 1}, Rest: setOf([]int{0, 8})}}},
		{"some core is the host's though it keeps all free", allIsolated, []seat{{"a", 0, 2}}, nil, together,
			map[string]seated{"a": {CPUs: []int{1, 2}, Rest: setOf([]int{0})}}},
		{"a node without processors", &facts.Topology{Nodes: []facts.Node{{Number: 2}}}, []seat{{"a", 2, 1}, {"b", 7, 1}}, nil, together,
			map[string]seated{"a": {Why: "node 2 has no processors"}, "b": {Why: "node 7 has no processors"}}},
	} {
		t.Run(test.name, func(t *testing.T) {
			assert.Equal(t, test.want, pin(test.t, test.seats, test.others, test.meets))
		})
	}
}

// Whatever host, guests and shifts: nobody who meets shares a core, a guest is on
// its node, the host keeps a core of it, and the same values give the same map.
func TestPinningProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		host := nodes(rapid.IntRange(1, 3).Draw(t, "nodes"), rapid.IntRange(1, 6).Draw(t, "cores"), rapid.IntRange(1, 4).Draw(t, "threads"))
		if rapid.Bool().Draw(t, "isolates") {
			host.Isolated = host.Cores[rapid.IntRange(0, len(host.Cores)-1).Draw(t, "isolated")].CPUs
		}
		coreOf := map[int]int{}
		for i, core := range host.Cores {
			set, err := facts.ParseCPUs(core.CPUs)
			require.NoError(t, err)
			for cpu := range set {
				coreOf[cpu] = i
			}
		}
		var seats []seat
		shifts := map[string]int{}
		for n := range rapid.IntRange(0, 6).Draw(t, "guests") {
			s := seat{fmt.Sprint("g", n), rapid.IntRange(0, len(host.Nodes)-1).Draw(t, "node"), rapid.IntRange(1, 9).Draw(t, "processors")}
			seats = append(seats, s)
			shifts[s.who] = rapid.IntRange(0, 7).Draw(t, "shifts") // a bit for each; none is any
		}
		meets := func(a, b string) bool { return shifts[a] == 0 || shifts[b] == 0 || shifts[a]&shifts[b] != 0 }
		other := taken{"other", setOf(rapid.SliceOfN(rapid.SampledFrom(slices.Sorted(func(yield func(int) bool) {
			for cpu := range coreOf {
				if !yield(cpu) {
					return
				}
			}
		})), 0, 3).Draw(t, "other"))}
		got := pin(host, seats, []taken{other}, meets)
		require.Equal(t, got, pin(host, seats, []taken{other}, meets))
		for i, s := range seats {
			has := got[s.who]
			if has.Why != "" {
				require.Nil(t, has.CPUs)
				continue
			}
			on, err := facts.ParseCPUs(host.Node(s.node).CPUs)
			require.NoError(t, err)
			require.True(t, setOf(has.CPUs).Within(on))
			require.Len(t, setOf(has.CPUs), s.processors, "no CPU twice")
			require.NotEmpty(t, has.Rest)
			require.True(t, has.Rest.Within(on))
			for _, beside := range seats {
				require.False(t, got[beside.who].Rest.Meets(setOf(has.CPUs)), "the host keeps its core of the node")
			}
			coresOf := func(cpus []int) (list []int) {
				for _, cpu := range cpus {
					list = append(list, coreOf[cpu])
				}
				return list
			}
			for _, before := range seats[:i] {
				if !meets(s.who, before.who) {
					continue
				}
				for _, core := range coresOf(got[before.who].CPUs) {
					require.NotContains(t, coresOf(has.CPUs), core, "siblings are never split between guests that meet")
				}
			}
			if shifts["other"] == 0 {
				for _, core := range coresOf(other.cpus.Sorted()) {
					require.NotContains(t, coresOf(has.CPUs), core)
				}
			}
			require.Equal(t, has, pin(host, seats[:i+1], []taken{other}, meets)[s.who], "who comes behind changes nothing")
		}
	})
}
