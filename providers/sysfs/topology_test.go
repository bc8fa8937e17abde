package sysfs

import (
	"testing"
	"testing/fstest"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/facts"
)

func TestTopology(t *testing.T) {
	survey := surveyOf(t, laidOver(t, "nodes.txtar"))
	assert.Empty(t, survey.Gaps)
	pages := func(total, free, surplus int) []facts.Pages {
		return []facts.Pages{{SizeBytes: 2 << 20, Total: total, Free: free, Surplus: surplus}, {SizeBytes: 1 << 30}}
	}
	assert.Equal(t, facts.Topology{
		Nodes: []facts.Node{
			{Number: 0, CPUs: "0-3,8-11", MemoryBytes: 16384000 << 10, FreeBytes: 9000000 << 10, Distances: []int{10, 21, 30}, HugePages: pages(0, 0, 0)},
			{Number: 1, CPUs: "4-7,12-15", MemoryBytes: 16384000 << 10, FreeBytes: 12000000 << 10, Distances: []int{21, 10, 40}, HugePages: pages(512, 100, 12)},
			{Number: 2, MemoryBytes: 8192000 << 10, FreeBytes: 8000000 << 10, Distances: []int{30, 40, 10}, HugePages: pages(0, 0, 0)},
		},
		Cores:  []facts.Core{{CPUs: "0,8"}, {CPUs: "1,9", ID: 1}, {CPUs: "2,10", ID: 2}, {CPUs: "3,11", ID: 3}, {CPUs: "4,12", Package: 1}, {CPUs: "5,13", ID: 1, Package: 1}, {CPUs: "6,14", ID: 2, Package: 1}, {CPUs: "7,15", ID: 3, Package: 1}},
		Online: "0-15", Isolated: "6-7,14-15", PageSize: 2 << 20,
	}, survey.Topology)
}

// What cannot be read of it is its own gap: nothing that is lent depends on it.
func TestTopologyThatCannotBeRead(t *testing.T) {
	const cpu, node = "sys/devices/system/cpu/", "sys/devices/system/node/"
	text := func(content string) *fstest.MapFile { return &fstest.MapFile{Data: []byte(content)} }
	for _, test := range []struct {
		name string
		tree fstest.MapFS
		gap  facts.Gap
	}{
		{"processors", fstest.MapFS{cpu + "online": text("all\n")}, facts.Gap{Fact: "online_cpus", Path: "/" + cpu + "online", Reason: `unexpected content "all"`}},
		{"a list that was cut", fstest.MapFS{cpu + "isolated": text("1-2")}, facts.Gap{Fact: "isolated_cpus", Path: "/" + cpu + "isolated", Reason: "it is cut: its last line has no end"}},
		{"siblings of another", fstest.MapFS{cpu + "online": text("0-1\n"), cpu + "cpu0/topology/thread_siblings_list": text("1\n"), cpu + "cpu1/topology/thread_siblings_list": text("1\n"), cpu + "cpu1/topology/core_id": text("0\n"), cpu + "cpu1/topology/physical_package_id": text("-1\n")},
			facts.Gap{Fact: "cores", Path: "/" + cpu + "cpu0/topology/thread_siblings_list", Reason: `unexpected content "1"`}},
		{"no memory of a node", fstest.MapFS{node + "node3/cpulist": text("\n"), node + "node3/distance": text("10\n"), node + "node3/meminfo": text("Node 3 MemFree: 1 kB\n")},
			facts.Gap{Fact: "node 3", Path: "/" + node + "node3/meminfo", Reason: "it has no line MemTotal"}},
		{"a size of page that is none", fstest.MapFS{node + "node0/cpulist": text("0\n"), node + "node0/distance": text("10\n"), node + "node0/meminfo": text("Node 0 MemTotal: 1 kB\nNode 0 MemFree: 1 kB\n"), node + "node0/hugepages/hugepages-0kB/nr_hugepages": text("1\n")},
			facts.Gap{Fact: "node 0", Path: "/" + node + "node0/hugepages/hugepages-0kB", Reason: `unexpected content "hugepages-0kB"`}},
	} {
		t.Run(test.name, func(t *testing.T) {
			tree, err := OpenFS(test.tree)
			require.NoError(t, err)
			survey, err := tree.Survey(t.Context(), nil)
			require.NoError(t, err)
			assert.Equal(t, []facts.Gap{test.gap}, survey.Topology.Gaps)
		})
	}
}

// Which of the free pages are promised to programs, and how many more the kernel makes,
// it says of the whole host alone (Linux Documentation/ABI/testing/
// sysfs-kernel-mm-hugepages, Documentation/admin-guide/mm/hugetlbpage.rst).
func TestPagesThatArePromised(t *testing.T) {
	const dir = "sys/kernel/mm/hugepages/hugepages-2048kB/"
	tree := fstest.MapFS{}
	for name, number := range map[string]string{"nr_hugepages": "8", "free_hugepages": "6", "resv_hugepages": "5", "nr_overcommit_hugepages": "3"} {
		tree[dir+name] = &fstest.MapFile{Data: []byte(number + "\n")}
	}
	opened, err := OpenFS(tree)
	require.NoError(t, err)
	survey, err := opened.Survey(t.Context(), nil)
	require.NoError(t, err)
	assert.Equal(t, []facts.Pages{{SizeBytes: 2 << 20, Total: 8, Free: 6, Promised: 5, Spare: 3}}, survey.Machine.HugePages)
}

// The guard of starts decides nothing by it, and so does not read it.
func TestStartsDoWithoutTopology(t *testing.T) {
	tree, err := OpenFS(laidOver(t, "nodes.txtar"))
	require.NoError(t, err)
	answer, err := tree.Answer(t.Context(), facts.Question{})
	require.NoError(t, err)
	assert.Empty(t, answer.Topology)
}
