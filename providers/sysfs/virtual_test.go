package sysfs

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/guard"
	"lendkeep/reconcile/invented"
)

// Which of its parent's a virtual function is, by the parent's links alone; what
// cannot be read is a gap.
func TestVirtualFunctions(t *testing.T) {
	for name, c := range map[string]struct {
		at, text string // a file laid over
		gap      string // of the second virtual function, or of the parent
	}{
		"as it is":                 {},
		"a count that is none":     {"sriov_numvfs", "two\n", "virtual_functions"},
		"too many":                 {"sriov_numvfs", "65536\n", "virtual_functions"},
		"a most that is none":      {"sriov_totalvfs", "-1\n", "most_virtual"},
		"another word for probing": {"sriov_drivers_autoprobe", "2\n", "virtual_probed"},
		"fewer than there are":     {"sriov_numvfs", "1\n", "virtual_number"},
	} {
		t.Run(name, func(t *testing.T) {
			b := invented.NewBuilder()
			at := b.Ethernet()
			v := b.Virtual(at, 2, 7, "igbvf")
			tree := string(invented.Tree(&b.Survey))
			if c.at != "" {
				before, rest, found := strings.Cut(tree, fmt.Sprintf("-- sys/devices/pci0000:00/%s/%s --\n", at, c.at))
				require.True(t, found)
				_, after, _ := strings.Cut(rest, "\n")
				tree = before + fmt.Sprintf("-- sys/devices/pci0000:00/%s/%s --\n%s", at, c.at, c.text) + after
			}
			survey := surveyOf(t, parsed(t, tree))
			index := facts.NewIndex(&survey)
			parent, second := index.Function(at), index.Function(v[1])
			if c.gap == "" {
				assert.Empty(t, parent.Gaps)
				assert.Equal(t, []int{2, 7}, []int{parent.Virtual, parent.VirtualMost})
				assert.True(t, parent.VirtualProbed)
				assert.Equal(t, 1, *second.VirtualNumber)
				return
			}
			assert.True(t, parent.Gap(c.gap) != nil || second.Gap(c.gap) != nil, "%+v %+v", parent, second)
			if second.VirtualNumber == nil {
				assert.NotNil(t, second.Gap("virtual_number"))
			}
		})
	}
}

// What the guard asks of a start with a virtual function is enough, whatever single
// thing cannot be read.
func TestQuestionOfAVirtualFunction(t *testing.T) {
	b := invented.NewBuilder()
	at := b.NVMe("RL-4410-0073", "films")
	b.Mount("nvme0n1p1", "/srv/films")
	card := b.Ethernet()
	for _, v := range []facts.Address{b.Virtual(at, 1, 2, "")[0], b.Virtual(card, 2, 7, "igbvf")[1], card} {
		host := parsed(t, string(invented.Tree(&b.Survey)))
		call := guard.Call{Guest: "stranger", Definition: facts.Definition{Hostdevs: []facts.Hostdev{{Address: v, Managed: true}}}}
		whole, narrow := decide(t, host, guard.Rules{}, call)
		assert.Equal(t, whole, narrow)
		base := watch(host)
		tree, err := OpenFS(base)
		require.NoError(t, err)
		_, err = tree.Answer(t.Context(), guard.Asks(guard.Rules{}, call, nil))
		require.NoError(t, err)
		for _, path := range slices.Sorted(maps.Keys(base.touch)) {
			damaged := watch(host)
			damaged.refuse = path
			whole, narrow := decide(t, damaged, guard.Rules{}, call)
			if narrow.Refuse == "" {
				assert.Empty(t, whole.Refuse, "%s: %s", v, path)
			}
		}
	}
}
