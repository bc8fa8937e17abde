package order_test

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/definition"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/invented"
	"lendkeep/reconcile/order"
	"lendkeep/reconcile/step"
	"lendkeep/spec"
)

// near is larch with two nodes, on which grading runs near reel.
func near() (*invented.Builder, *spec.Layout) {
	b, layout := larch()
	b.Nodes(2, 4)
	b.Function(facts.Address{Bus: 1}).NUMANode = 1
	layout.Guests[0].CPU = &spec.CPU{Count: 3, Near: &spec.Ref{Name: "reel"}}
	return b, layout
}

// defines gives the step that defines a guest.
func defines(t *testing.T, o order.Order, guest string) *step.DefineGuest {
	for _, w := range o.Steps {
		if d, ok := w.Step.(*step.DefineGuest); ok && d.Guest == guest {
			return d
		}
	}
	require.Fail(t, "nothing defines "+guest)
	return nil
}

func TestOrdersShowTheMap(t *testing.T) {
	b, layout := near()
	d := defines(t, plan(t, b, layout, "day"), "grading")
	var told []string
	for _, detail := range d.Details() {
		told = append(told, detail.Text)
	}
	assert.Contains(t, told, "processors on CPUs 5, 13, 6 of the host, one by one")
	assert.Contains(t, told, "its emulator on CPUs 4,12 of the host")
	assert.Contains(t, told, "all its memory from node 1 of the host")
	assert.Equal(t, d.Wanted, defines(t, plan(t, b, layout, "night"), "grading").Wanted, "whichever shift is aimed at")

	xml, _, err := d.After()
	require.NoError(t, err)
	kept, err := definition.Read(xml)
	require.NoError(t, err)
	b.Survey.Libvirt.Guests[0].Kept = &kept
	assert.NotContains(t, does(plan(t, b, layout, "night")), "change the definition of guest grading", "it is as it shall be")
}

// What the map was made of is relied on; what does not matter to it is not.
func TestMapIsReliedOn(t *testing.T) {
	for name, c := range map[string]struct {
		change func(*invented.Builder)
		want   string
	}{
		"a CPU went offline": {func(b *invented.Builder) { b.Survey.Topology.Online = "0-14" }, "topology online cpus of host"},
		"isolated":           {func(b *invented.Builder) { b.Survey.Topology.Isolated = "6" }, "topology isolated cpus of host was none, is 6"},
		"another guest is pinned": {func(b *invented.Builder) {
			b.Edit("catalogue", "<os", "<cputune><vcpupin vcpu='0' cpuset='6'/></cputune><os")
		}, "guests and their CPUs of pins was none, is catalogue 6"},
		"less memory is free": {func(b *invented.Builder) { b.Survey.Topology.Nodes[1].FreeBytes = 0 }, ""},
	} {
		t.Run(name, func(t *testing.T) {
			b, layout := near()
			layout.Guests = layout.Guests[:1]
			layout.Shifts = layout.Shifts[:1]
			o := plan(t, b, layout, "day")
			c.change(b)
			changes, err := o.Changes(facts.NewIndex(&b.Survey))
			require.NoError(t, err)
			var told []string
			for _, change := range changes {
				told = append(told, change.String())
			}
			if c.want == "" {
				assert.Empty(t, told)
				return
			}
			assert.Contains(t, strings.Join(told, "\n"), c.want)
		})
	}
}

// paged is near with the memory of grading in huge pages.
func paged() (*invented.Builder, *spec.Layout) {
	b, layout := near()
	yes := true
	layout.Guests[0].Memory = &spec.Memory{SizeBytes: 1 << 30, HugePages: &yes, PageBytes: 2 << 20}
	return b, layout
}

func TestPagesArePlanned(t *testing.T) {
	b, layout := paged()
	b.Run("catalogue")
	assert.Equal(t, []string{installs, "change the definition of guest grading", "shut down guest catalogue",
		"reserve huge pages of 2.0 MiB on node 1: 512 instead of 0", "unmount shelf of reel at /srv/shelf",
		"start guest grading, which borrows reel"}, does(plan(t, b, layout, "day")), "once whoever ends has left its memory, before who needs them")
	assert.Contains(t, does(plan(t, b, layout, "night")), "reserve huge pages of 2.0 MiB on node 1: 512 instead of 0", "grading may be started by hand")

	xml, _, err := defines(t, plan(t, b, layout, "day"), "grading").After()
	require.NoError(t, err)
	kept, err := definition.Read(xml)
	require.NoError(t, err)
	grading := &b.Survey.Libvirt.Guests[0]
	grading.Kept = &kept
	node := &b.Survey.Topology.Nodes[1].HugePages[0]
	node.Total, node.Free = 512, 512
	b.Survey.Machine.HugePages[0] = *node
	assert.NotContains(t, strings.Join(does(plan(t, b, layout, "day")), "\n"), "huge pages", "they are there")

	no := false
	layout.Guests[0].Memory.HugePages, layout.Guests[0].Memory.PageBytes = &no, 0
	assert.Equal(t, []string{installs, "change the definition of guest grading",
		"give back huge pages of 2.0 MiB on node 1: 0 instead of 512"}, does(plan(t, b, layout, ""))[:3])
}

// A guest that finds its huge pages among those that an order reserves for another one
// starts after that, wherever it takes them from.
func TestStartsAfterWhatItFinds(t *testing.T) {
	for name, c := range map[string]struct {
		has   string
		wants []string
	}{
		"no pages":     {"", nil},
		"of any node":  {"<memoryBacking><hugepages/></memoryBacking>", []string{step.PagesOn(1, 2<<20)}},
		"of that node": {"<memoryBacking><hugepages/></memoryBacking><numatune><memory mode='strict' nodeset='1'/></numatune>", []string{step.PagesOn(1, 2<<20)}},
	} {
		t.Run(name, func(t *testing.T) {
			b, layout := near()
			yes := true
			layout.Guests[0].Memory = &spec.Memory{SizeBytes: 4 << 30, HugePages: &yes, PageBytes: 2 << 20}
			b.Edit("catalogue", "<os", c.has+"<os")
			var wants []string
			for _, w := range plan(t, b, layout, "night").Steps {
				if s, ok := w.Step.(*step.StartGuest); ok && s.Guest == "catalogue" && s.Pages != "" {
					wants = append([]string{s.Pages}, s.MorePages...)
				}
			}
			assert.Equal(t, c.wants, wants)
		})
	}
}
