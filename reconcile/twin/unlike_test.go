package twin_test

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"lendkeep/reconcile/invented"
	"lendkeep/reconcile/twin"
)

// What the machine lacks of this host alone is told by name, in one line.
func TestUnlikeInWords(t *testing.T) {
	for want, u := range map[string]twin.Unlike{
		"memory: 2560 MiB: whether they find it":                      {Fact: "memory", Twin: "2560 MiB", Hides: "whether they find it"},
		"Debian's OVMF: what other firmware starts from":              {Fact: "Survey.Firmware", Of: []string{"larch"}, Twin: "Debian's OVMF", Hides: "what other firmware starts from"},
		"partition table sdb, sdc: none: what lies there":             {Fact: "partition_table", Of: []string{"sdb", "sdc"}, Twin: "none", Hides: "what lies there"},
		"mount /a, /b, /c and 2 more: not mounted: who keeps it busy": {Fact: "mount", Of: []string{"/a", "/b", "/c", "/d", "/e"}, Twin: "not mounted", Hides: "who keeps it busy"},
	} {
		assert.Equal(t, want, u.String())
	}
	b := invented.NewBuilder()
	b.NVMe("RL-4410-0073", "shelf")
	m := twin.Of(b.Survey)
	var always, here []string
	for _, u := range m.Unlike {
		if u.Ever() {
			always = append(always, u.String())
		} else {
			here = append(here, u.String())
		}
	}
	assert.Contains(t, always, "Debian's kernel: how another kernel groups, resets and rebinds")
	assert.NotEmpty(t, here)
}
