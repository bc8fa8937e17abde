package definition

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/facts"
)

// screen is a graphics card with its sound.
func screen(t testing.TB, at string) facts.Identity {
	r := facts.Identity{Controller: "screen", Vendor: 0x10de, Device: 0x2484, Address: address(t, at)}
	r.Functions[0] = facts.Make{Vendor: 0x10de, Device: 0x2484, SubsystemVendor: 0x1043, SubsystemDevice: 0x8790}
	r.Functions[1] = facts.Make{Vendor: 0x10de, Device: 0x228b, SubsystemVendor: 0x1043, SubsystemDevice: 0x8790}
	return r
}

// function is a device of the guest that lends a function of 0000:41:00.
func function(number, seat string) string {
	return `    <hostdev mode='subsystem' type='pci' managed='yes'>
      <source>
        <address domain='0x0000' bus='0x41' slot='0x00' function='0x` + number + `'/>
      </source>
` + seat + `    </hostdev>
`
}

func seat(bus, slot, function, more string) string {
	return "      <address type='pci' domain='0x0000' bus='0x" + bus + "' slot='0x" + slot + "' function='0x" + function + "'" + more + "/>\n"
}

const onScreen = "screen (10de:2484)"

func TestWholeSlotIsOneSlotOfTheGuest(t *testing.T) {
	borrowed := []string{"borrows screen (10de:2484) at 0000:41:00.0", "borrows screen (10de:228b) at 0000:41:00.1"}
	for name, c := range map[string]struct {
		sample  string
		devices string
		changes []string
		seats   [2]string
	}{
		"behind a free port": {"l2-kept", "", append(borrowed, onScreen+" in one slot of the guest, at 0000:02:00"),
			[2]string{seat("02", "00", "0", " multifunction='on'"), seat("02", "00", "1", "")}},
		"without PCI Express": {"catalogue", "", append(borrowed, onScreen+" in one slot of the guest, at 0000:00:1f"),
			[2]string{seat("00", "1f", "0", " multifunction='on'"), seat("00", "1f", "1", "")}},
		"there already": {"l2-kept", function("0", seat("02", "00", "0", " multifunction='on'")) + function("1", seat("02", "00", "1", "")), []string{NoteBroughtUp},
			[2]string{seat("02", "00", "0", " multifunction='on'"), seat("02", "00", "1", "")}},
		"as many write it": {"l2-kept", function("0", "      <address type='pci' bus='2' slot='0' multifunction='on' function='0'/>\n") + function("1", seat("02", "00", "1", " multifunction='on'")), []string{NoteBroughtUp},
			[2]string{"      <address type='pci' bus='2' slot='0' multifunction='on' function='0'/>\n", seat("02", "00", "1", " multifunction='on'")}},
		"one of them": {"l2-kept", function("0", seat("02", "00", "0", "")), []string{borrowed[1], onScreen + " in one slot of the guest, at 0000:02:00"},
			[2]string{seat("02", "00", "0", " multifunction='on'"), seat("02", "00", "1", "")}},
		"the other": {"l2-kept", function("1", seat("02", "00", "0", "")), []string{borrowed[0], onScreen + " in one slot of the guest, at 0000:02:00"},
			[2]string{seat("02", "00", "0", " multifunction='on'"), seat("02", "00", "1", "")}},
		"without a place": {"l2-kept", function("0", "") + function("1", "      <address type='unassigned'/>\n"), []string{onScreen + " in one slot of the guest, at 0000:02:00", NoteBroughtUp},
			[2]string{seat("02", "00", "0", " multifunction='on'"), seat("02", "00", "1", "")}},
		"something in the way": {"l2-kept", function("0", seat("00", "1f", "0", "")) + function("1", "") + strings.Replace(strings.Replace(function("2", seat("00", "1f", "1", "")), "0x41", "0x50", 1), "function='0x2'", "function='0x0'", 1),
			[]string{onScreen + " in one slot of the guest, at 0000:02:00", NoteBroughtUp}, [2]string{seat("02", "00", "0", " multifunction='on'"), seat("02", "00", "1", "")}},
	} {
		t.Run(name, func(t *testing.T) {
			before := strings.Replace(sample(t, c.sample), "  </devices>", c.devices+"  </devices>", 1)
			guest, _, err := Names(before)
			require.NoError(t, err)
			w := Wanted{Name: guest, Borrows: []Borrowed{{Identity: screen(t, "0000:41:00.0")}}}
			after, changes := edited(t, before, w)
			assert.Equal(t, c.changes, changes)
			for n, want := range c.seats {
				_, device, _ := strings.Cut(function(string(rune('0'+n)), want), "<source>")
				assert.Contains(t, after, device)
			}
			assert.True(t, InOneSlot(after, w.Borrows[0].Identity.Addresses()))
			d, err := Read(after)
			require.NoError(t, err)
			assert.Equal(t, []facts.Identity{w.Borrows[0].Identity}, d.Identities)

			w.Borrows, w.Known = nil, []facts.Identity{screen(t, "0000:41:00.0")}
			returned, changes := edited(t, after, w)
			assert.ElementsMatch(t, []string{"no longer borrows screen (10de:2484) at 0000:41:00.0", "no longer borrows screen (10de:228b) at 0000:41:00.1"}, changes)
			assert.NotContains(t, returned, "bus='0x41'")
		})
	}
}

// A guest in which nobody can tell what is free is left to a person.
func TestWholeSlotNeedsAKnownMachine(t *testing.T) {
	before := strings.NewReplacer("pc-q35-7.2", "microvm", "pcie-root'", "isa'").Replace(sample(t, "l2-kept"))
	_, _, err := Edit(before, Wanted{Name: "l2", Borrows: []Borrowed{{Identity: screen(t, "0000:41:00.0")}}})
	require.ErrorContains(t, err, `whether the machine type "microvm" has PCI Express is not known`)
}

// A lone function that was noted becomes a whole slot, and one again.
func TestWholeSlotFromALoneFunction(t *testing.T) {
	lone := screen(t, "0000:41:00.0")
	lone.Functions = facts.Makes{}
	before, _ := edited(t, sample(t, "l2-kept"), Wanted{Name: "l2", Borrows: []Borrowed{{Identity: lone}}})
	whole := screen(t, "0000:41:00.0")
	after, changes := edited(t, before, Wanted{Name: "l2", Borrows: []Borrowed{{Identity: whole}}, Known: []facts.Identity{whole}})
	assert.Equal(t, []string{"borrows screen (10de:228b) at 0000:41:00.1", onScreen + " in one slot of the guest, at 0000:02:00", NoteBroughtUp}, changes)
	_, changes = edited(t, after, Wanted{Name: "l2", Borrows: []Borrowed{{Identity: lone}}, Known: []facts.Identity{lone}})
	assert.Equal(t, []string{"no longer borrows screen (10de:228b) at 0000:41:00.1"}, changes)
}

func TestNoteOfAWholeSlot(t *testing.T) {
	note := func(functions string) string {
		return strings.Replace(sample(t, "l2-kept"), "  <memory unit", `  <metadata><lendkeep:guest xmlns:lendkeep="`+Namespace+`"><lendkeep:borrows controller="screen" address="0000:41:00.0" vendor="10de" device="2484" functions="`+functions+`"/></lendkeep:guest></metadata>
  <memory unit`, 1)
	}
	d, err := Read(note("0=10de:2484/1043:8790 1=10de:228b"))
	require.NoError(t, err)
	assert.Equal(t, []facts.Address{address(t, "0000:41:00.0"), address(t, "0000:41:00.1")}, d.Identities[0].Addresses())
	for _, wrong := range []string{"1=10de:2484", "0=10de:2484  1=10de:228b", "8=10de:2484", "0=10de:2484 0=10de:228b", "0=10DE:2484", "0=0000:0000", "0=10de", "0=+0de:2484", "x"} {
		_, err := Read(note(wrong))
		assert.Error(t, err, wrong)
	}
}
