package guard_test

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/guard"
)

func TestStatic(t *testing.T) {
	b := newBench(t)
	text := guard.UdevRules(b.rules)
	assert.Contains(t, text, `ATTRS{serial}=="RL-4410-0073", ENV{.LENDKEEP}="guest"
ENV{.LENDKEEP}=="guest", ENV{ID_PART_ENTRY_UUID}=="00000000-0000-4000-8000-000000000002", ENV{.LENDKEEP}="host"
`)
	assert.NotContains(t, text, "RL-4410-0088", "nobody borrows spare")
	last, _, _ := strings.Cut(text[strings.LastIndex(text, `ENV{.LENDKEEP}=="guest", ENV{SYSTEMD_READY}`):], "\n")
	assert.Equal(t, `ENV{.LENDKEEP}=="guest", ENV{SYSTEMD_READY}="0", ENV{DM_UDEV_DISABLE_OTHER_RULES_FLAG}="1", OPTIONS+="link_priority=-100"`, last)
	assert.True(t, strings.HasSuffix(text, "LABEL=\"lendkeep_end\"\n"))

	b.rules.Guests = nil
	assert.Empty(t, guard.UdevRules(b.rules), "nothing is lent")
}

// A name or serial from outside can neither end a rule nor mean more than one
// device but where a character stands for any one.
func TestStaticOfOddNames(t *testing.T) {
	for name, c := range map[string]struct {
		controller guard.Controller
		want       string
	}{
		"a serial with a meaning": {guard.Controller{Identity: facts.Identity{Controller: "x", Serial: `A*"|[b] 7`}}, `ATTRS{serial}=="A????b? 7", `},
		"a partition not seen yet": {guard.Controller{Identity: facts.Identity{Controller: "x", Serial: "S"}, Keeps: []guard.Partition{{Name: "my shelf*/ä"}}},
			`ENV{ID_PART_ENTRY_NAME}=="my?x20shelf?x2a?x2f??", `},
		"a card without a serial": {guard.Controller{Identity: facts.Identity{Controller: "x", Address: facts.Address{Bus: 5}, Vendor: 0x8086, Device: 0x2922}},
			`SUBSYSTEMS=="pci", KERNELS=="0000:05:00.0", ATTRS{vendor}=="0x8086", ATTRS{device}=="0x2922", ENV{.LENDKEEP}="guest"`},
		"a card of a maker": {guard.Controller{Subsystem: "1043:0001", Identity: facts.Identity{Controller: "x", Address: facts.Address{Bus: 5}, Vendor: 0x8086, Device: 0x2922}},
			`ATTRS{device}=="0x2922", ATTRS{subsystem_vendor}=="0x1043", ATTRS{subsystem_device}=="0x0001", ENV{.LENDKEEP}="guest"`},
		"a controller's name": {guard.Controller{Identity: facts.Identity{Controller: "x\nRUN", Serial: "S"}}, "# x?RUN\n"},
	} {
		t.Run(name, func(t *testing.T) {
			rules := guard.Rules{Controllers: []guard.Controller{c.controller}, Guests: []guard.Guest{{Name: "g", Borrows: []string{c.controller.Identity.Controller}}}}
			assert.Contains(t, guard.UdevRules(rules), c.want)
		})
	}
}
