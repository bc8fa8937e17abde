package assess_test

import (
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/assess"
	"lendkeep/reconcile/definition"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/invented"
	"lendkeep/spec"
)

// near has guest grading of the bench run near reel, on a host of nodes with four
// cores of two threads each.
func (b *bench) near(nodes, processors, node int) {
	b.Nodes(nodes, 4)
	b.Function(b.reel).NUMANode = node
	b.layout.Guests[0].CPU = &spec.CPU{Count: processors, Near: &spec.Ref{Name: "reel"}}
}

func (b *bench) nearness(guest string) assess.Nearness {
	c := assess.NewCase(b.layout, facts.NewIndex(&b.Survey), nil)
	return c.Near(b.layout.Guest(guest))
}

func TestNear(t *testing.T) {
	b := newBench()
	b.near(2, 3, 1)
	assert.Equal(t, assess.Nearness{Map: &definition.Near{Node: 1, CPUs: []int{5, 13, 6}, Rest: "4,12"}}, b.nearness("grading"))
	assert.Empty(t, b.nearness("catalogue"))
	assert.NotContains(t, whole(b.findings()), "cannot be near")

	b.Survey.Libvirt.Cells = []facts.Cell{{Node: 1, CPUs: "4-7,12-15", Cores: []string{"7,15", "4,12", "5,13", "6,14"}}}
	assert.NotContains(t, whole(b.findings()), "libvirt sees other CPUs")

	b.near(1, 3, -1) // a host of one node need not say it
	assert.Equal(t, assess.Nearness{Map: &definition.Near{Node: 0, CPUs: []int{1, 5, 2}, Rest: "0,4"}}, b.nearness("grading"))
}

// Who may run beside whom decides, not the shift that is aimed at.
func TestNearInShifts(t *testing.T) {
	b := newBench()
	b.near(2, 4, 1)
	b.layout.Guests = append(b.layout.Guests, invented.Guest("second"))
	second := &b.layout.Guests[len(b.layout.Guests)-1]
	second.CPU, second.Memory = &spec.CPU{Count: 2, Near: &spec.Ref{Name: "reel"}}, &spec.Memory{SizeBytes: 1 << 30}
	cpus := func() []int {
		near := b.nearness("second")
		require.Empty(t, near.Why)
		return near.Map.CPUs
	}
	assert.Equal(t, []int{7, 15}, cpus(), "in no shift it may run beside every guest")
	b.layout.Shifts[1].Guests = append(b.layout.Shifts[1].Guests, spec.Ref{Name: "second"})
	assert.Equal(t, []int{5, 13}, cpus(), "at night, while grading is off")
	b.layout.Shifts[0].Guests = append(b.layout.Shifts[0].Guests, spec.Ref{Name: "second"})
	assert.Equal(t, []int{7, 15}, cpus(), "by day, too")
	b.layout.Guest("grading").Retired = true
	assert.Equal(t, []int{5, 13}, cpus())
}

const gib = 1 << 30

// paged has guest grading run near reel on node 1 of two, in huge pages.
func (b *bench) paged(pageBytes, memoryBytes uint64) {
	b.near(2, 2, 1)
	yes := true
	b.layout.Guests[0].Memory = &spec.Memory{SizeBytes: memoryBytes, HugePages: &yes, PageBytes: pageBytes}
}

// pagesOf has a guest's memory of 1 GiB in huge pages by its definition alone, on a host
// of two nodes with so many free ones of 2 MiB, bound to neither.
func (b *bench) pagesOf(guest string, free int) {
	if len(b.Survey.Topology.Nodes) == 0 {
		b.Nodes(2, 8)
	}
	b.Edit(guest, "<os", "<memoryBacking><hugepages/></memoryBacking><os")
	for n := range 2 {
		p := &b.Survey.Topology.Nodes[n].HugePages[0]
		p.Total, p.Free = free, free
	}
	b.Survey.Machine.HugePages[0].Total, b.Survey.Machine.HugePages[0].Free = free, free
}

// A guest that finds its pages has no finding: those of one that the order shuts down
// among them, without what the kernel takes back then.
func TestPagesThatAreLeft(t *testing.T) {
	for surplus, enough := range map[int]bool{0: true, 1: false} {
		b := newBench()
		b.Nodes(1, 8)
		for _, name := range []string{"grading", "catalogue"} {
			b.Edit(name, "<os", "<memoryBacking><hugepages/></memoryBacking><os")
		}
		b.Survey.Topology.Nodes[0].HugePages[0] = facts.Pages{SizeBytes: 2 << 20, Total: 512, Surplus: surplus}
		b.Survey.Machine.HugePages[0] = facts.Pages{SizeBytes: 2 << 20, Total: 512}
		b.Run("catalogue")
		b.shift = "day"
		assert.Equal(t, !enough, slices.ContainsFunc(b.findings(), func(f assess.Finding) bool { return f.Check == "huge-pages" }))
		c := assess.NewCase(b.layout, facts.NewIndex(&b.Survey), b.layout.Shift("day"))
		assert.Equal(t, []string{"catalogue"}, c.Apart(b.layout.Guest("grading")), "it is off before")
	}
}

func TestReserves(t *testing.T) {
	yes, no := true, false
	paged := func(b *bench, guest string) { // as libvirt has it: on node 1, 2 GiB in pages of 1 GiB
		b.Edit(guest, "<os", "<memoryBacking><hugepages><page size='1' unit='GiB'/></hugepages></memoryBacking><numatune><memory mode='strict' nodeset='1'/></numatune><os")
		b.Edit(guest, "1048576</memory>", "2097152</memory>")
	}
	second := func(b *bench) *spec.Guest {
		b.layout.Guests = append(b.layout.Guests, invented.Guest("second"))
		g := &b.layout.Guests[len(b.layout.Guests)-1]
		g.CPU, g.Memory = &spec.CPU{Count: 2, Near: &spec.Ref{Name: "reel"}}, &spec.Memory{SizeBytes: 3 * gib, HugePages: &yes, PageBytes: gib}
		return g
	}
	one := func(before, after int, guests ...string) []assess.Reserve {
		return []assess.Reserve{{Node: 1, SizeBytes: gib, Before: before, After: after, Guests: guests}}
	}
	node := func(b *bench) *facts.Pages { return &b.Survey.Topology.Nodes[1].HugePages[1] }
	for name, c := range map[string]struct {
		change func(*bench)
		want   []assess.Reserve
	}{
		"as many as the guest needs":  {func(b *bench) { b.paged(gib, 4*gib) }, one(0, 4, "grading")},
		"true is the host's default":  {func(b *bench) { b.paged(0, 4*gib) }, []assess.Reserve{{Node: 1, SizeBytes: 2 << 20, After: 2048, Guests: []string{"grading"}}}},
		"those of one shift together": {func(b *bench) { b.paged(gib, 4*gib); second(b) }, one(0, 7, "grading", "second")},
		"those of different shifts in turns": {func(b *bench) {
			b.paged(gib, 4*gib)
			second(b)
			b.layout.Shifts[1].Guests = append(b.layout.Shifts[1].Guests, spec.Ref{Name: "second"})
		}, one(0, 4, "grading", "second")},
		"more than enough stays": {func(b *bench) {
			b.paged(gib, 4*gib)
			*node(b) = facts.Pages{SizeBytes: gib, Total: 9, Free: 9}
		}, one(9, 9, "grading")},
		"what somebody else uses is not free": {func(b *bench) {
			b.paged(gib, 4*gib)
			*node(b) = facts.Pages{SizeBytes: gib, Total: 5, Free: 3, Surplus: 1}
		}, one(4, 6, "grading")},
		"what is promised is not free": {func(b *bench) {
			b.paged(gib, 4*gib)
			*node(b) = facts.Pages{SizeBytes: gib, Total: 5, Free: 5}
			b.Survey.Machine.HugePages[1] = facts.Pages{SizeBytes: gib, Total: 5, Free: 5, Promised: 2}
			b.Survey.Topology.Nodes = b.Survey.Topology.Nodes[1:]
		}, one(5, 6, "grading")},
		"what a guest without a node uses is no other's": {func(b *bench) {
			b.paged(gib, 4*gib)
			b.Builder.Guest("other", "/srv/images/other.qcow2")
			b.Edit("other", "<os", "<memoryBacking><hugepages><page size='1' unit='GiB'/></hugepages></memoryBacking><os")
			b.Run("other")
			*node(b) = facts.Pages{SizeBytes: gib, Total: 1}
		}, one(1, 4, "grading")},
		"guests that libvirt knows need theirs": {func(b *bench) {
			b.paged(gib, 4*gib)
			b.Builder.Guest("other", "/srv/images/other.qcow2")
			paged(b, "other")
		}, one(0, 6, "grading")},
		"of strangers alone it says nothing": {func(b *bench) {
			b.near(2, 2, 1)
			b.Builder.Guest("other", "/srv/images/other.qcow2")
			paged(b, "other")
		}, []assess.Reserve{}},
		"what the order takes goes back": {func(b *bench) {
			b.near(2, 2, 1)
			paged(b, "catalogue")
			b.layout.Guest("catalogue").Memory = &spec.Memory{SizeBytes: 2 * gib, HugePages: &no}
			*node(b) = facts.Pages{SizeBytes: gib, Total: 5, Free: 5}
		}, one(5, 3, "catalogue")},
		"what a retired guest leaves goes back, but for others' need": {func(b *bench) {
			b.paged(gib, 4*gib)
			paged(b, "catalogue")
			b.layout.Guest("catalogue").Retired = true
			*node(b) = facts.Pages{SizeBytes: gib, Total: 5, Free: 5}
		}, one(5, 4, "grading", "catalogue")},
		"nothing is reserved for strangers when a guest leaves": {func(b *bench) {
			b.near(2, 2, 1)
			paged(b, "catalogue")
			b.layout.Guest("catalogue").Retired = true
			b.Builder.Guest("other", "/srv/images/other.qcow2")
			paged(b, "other")
			*node(b) = facts.Pages{SizeBytes: gib, Total: 1, Free: 1}
		}, one(1, 1, "catalogue")},
		"a node of which nothing is known": {func(b *bench) {
			b.paged(gib, 4*gib)
			b.Survey.Topology.Gaps = []facts.Gap{{Fact: "node 1"}}
		}, []assess.Reserve{}},
	} {
		t.Run(name, func(t *testing.T) {
			b := newBench()
			c.change(b)
			for _, shift := range []*spec.Shift{nil, b.layout.Shift("day"), b.layout.Shift("night")} {
				assert.Equal(t, c.want, assess.NewCase(b.layout, facts.NewIndex(&b.Survey), shift).Reserves(), "whichever shift is aimed at")
			}
		})
	}
}

func (b *bench) startsWithHost(name string) {
	for i := range b.Survey.Libvirt.Guests {
		if g := &b.Survey.Libvirt.Guests[i]; g.Name == name {
			g.Autostart = true
		}
	}
}

// What an order has put aside or made is gone after a restart, whichever guest starts
// with the host.
func TestOrdersAreGoneAtBoot(t *testing.T) {
	for name, c := range map[string]struct {
		change func(*bench)
		cause  string // empty: nothing is told
	}{
		"it needs nothing": {func(*bench) {}, ""},
		"a card of its group is put aside": {func(b *bench) {
			b.Card(b.reel, "e1000e")
			b.layout.Controllers = append(b.layout.Controllers, invented.NetworkController("card"))
			b.layout.Controllers[len(b.layout.Controllers)-1].PCI.Vendor, b.layout.Controllers[len(b.layout.Controllers)-1].PCI.Device = 0x8086, 0x10d3
		}, "controller card is put aside on VFIO for reel"},
		"virtual functions are made":              {func(b *bench) { b.states(2, 1); b.counts(2) }, "the layout has it make 2, of which guest grading borrows port"},
		"virtual functions of which it is silent": {func(b *bench) { b.states(2, 1) }, ""},
	} {
		t.Run(name, func(t *testing.T) {
			b := newBench()
			c.change(b)
			told := func() (causes []string) {
				for _, f := range b.findings() {
					if f.Check == "order-at-boot" {
						assert.Equal(t, assess.Caution, f.Severity)
						causes = append(causes, f.Causes[0].Value)
					}
				}
				return causes
			}
			assert.Empty(t, told(), "nobody starts with the host")
			b.startsWithHost("catalogue")
			assert.Empty(t, told(), "it borrows nothing")
			b.startsWithHost("grading")
			if c.cause == "" {
				assert.Empty(t, told())
			} else {
				assert.Equal(t, []string{c.cause}, told())
			}
		})
	}
}

// A guest that starts with the host finds the pages that the kernel's command line
// reserves, and none of an order's (Linux Documentation/admin-guide/
// kernel-parameters.txt).
func TestPagesAtBoot(t *testing.T) {
	for line, enough := range map[string]bool{
		"quiet":                                           false,
		"hugepagesz=1G hugepages=8":                       true, // four for each of two nodes
		"hugepagesz=1G hugepages=7":                       false,
		"hugepagesz=1048576k hugepages=0:1,1:4":           true,
		"hugepagesz=1G hugepages=0:4":                     false,
		"hugepages=4096":                                  false, // of 2 MiB
		"default_hugepagesz=1G hugepages=8":               true,
		"hugepages=8 default_hugepagesz=1G":               true,
		"default_hugepagesz=1G hugepagesz=2M hugepages=8": false,
		"hugepagesz=2M hugepages=8 hugepagesz=1G hugepages=1:4 hugepages=1:2": true, // the second is ignored
		"hugepagesz=1G hugepages=1:2 hugepages=1:4":                           false,
		"hugepagesz=1T hugepages=8":                                           false,
		"hugepagesz= hugepages=":                                              false,
		"hugepagesz=1G hugepages=1:x,1:9":                                     false,
		"hugepagesz=1G hugepages=-8":                                          false,
	} {
		b := newBench()
		b.paged(gib, 4*gib)
		b.Survey.Machine.CommandLine = line
		told := func() bool {
			return slices.ContainsFunc(b.findings(), func(f assess.Finding) bool { return f.Check == "pages-at-boot" })
		}
		assert.False(t, told(), "%s: nobody starts with the host", line)
		b.startsWithHost("catalogue")
		assert.False(t, told(), "%s: it has no huge pages", line)
		b.startsWithHost("grading")
		assert.Equal(t, !enough, told(), line)
	}
}
