package definition

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/facts"
)

// lentAt writes a guest with one device at each address and lendkeep's notes.
func lentAt(t testing.TB, records []facts.Identity, addresses ...string) string {
	t.Helper()
	xml := "<domain type='kvm'>\n  <name>grading</name>\n  <os>\n    <type>hvm</type>\n    <boot dev='hd'/>\n  </os>\n  <devices>\n"
	for i, a := range addresses {
		parts := address(t, a)
		xml += "    <hostdev mode='subsystem' type='pci' managed='yes'>\n      <source>\n        " +
			`<address domain="` + a[:4] + `" bus='0x` + a[5:7] + `' slot='0x` + a[8:10] + `' function='0x` + a[11:] + "'/>\n" +
			"      </source>\n      <alias name='ua-" + string(rune('a'+i)) + "'/>\n      <rom file='/usr/share/qemu/" + parts.String() + ".rom'/>\n" +
			"      <address type='pci' domain='0x0000' bus='0x07' slot='0x0" + string(rune('0'+i)) + "' function='0x0'/>\n    </hostdev>\n"
	}
	xml += "  </devices>\n</domain>\n"
	tree, err := parse(xml)
	require.NoError(t, err)
	_, err = setRecords(tree.guest, records)
	require.NoError(t, err)
	return tree.String()
}

func TestEditFollowsAControllerThatMoved(t *testing.T) {
	before := lentAt(t, []facts.Identity{reel(t, "0000:01:00.0")}, "0000:01:00.0")
	w := Wanted{Name: "grading", Borrows: []Borrowed{{Identity: reel(t, "0000:02:00.0")}}, Known: []facts.Identity{reel(t, "0000:02:00.0")}}
	after, changes := edited(t, before, w)
	assert.Equal(t, []string{"borrows reel (RL-4410-0073) at 0000:02:00.0 instead of 0000:01:00.0"}, changes)
	want := strings.Replace(before, `<address domain="0000" bus='0x01'`, `<address domain='0x0000' bus='0x02'`, 1)
	want = strings.Replace(want, `address="0000:01:00.0"`, `address="0000:02:00.0"`, 1)
	assert.Equal(t, want, after)
}

func TestEditKnowsARenamedControllerByItsSerial(t *testing.T) {
	old := reel(t, "0000:01:00.0")
	old.Controller = "old"
	now := reel(t, "0000:02:00.0")
	after, changes := edited(t, lentAt(t, []facts.Identity{old}, "0000:01:00.0"), Wanted{Name: "grading", Borrows: []Borrowed{{Identity: now}}})
	assert.Equal(t, []string{"borrows reel (RL-4410-0073) at 0000:02:00.0 instead of 0000:01:00.0"}, changes)
	assert.Contains(t, after, "<alias name='ua-a'/>", "the device is the same")
	d, err := Read(after)
	require.NoError(t, err)
	assert.Equal(t, []facts.Identity{now}, d.Identities)
}

func TestEditLeavesTheMetadataOfOthersAlone(t *testing.T) {
	others := `<guest xmlns="urn:other"><borrows controller="book"/></guest>`
	before := strings.Replace(lentAt(t, nil), "  <os>", "  <metadata>\n    "+others+"\n  </metadata>\n  <os>", 1)
	w := Wanted{Name: "grading", Borrows: []Borrowed{{Identity: reel(t, "0000:01:00.0")}}, Known: []facts.Identity{reel(t, "0000:01:00.0")}}
	after, _ := edited(t, before, w)
	assert.Contains(t, after, others+"\n    <lendkeep:guest ")
	w.Borrows = nil
	again, _ := edited(t, after, w)
	assert.Equal(t, before, again)
}

func TestEditTellsControllersApartThatChangedPlaces(t *testing.T) {
	before := lentAt(t, []facts.Identity{reel(t, "0000:01:00.0"), spool(t, "0000:02:00.0")}, "0000:01:00.0", "0000:02:00.0")
	now := []facts.Identity{reel(t, "0000:02:00.0"), spool(t, "0000:01:00.0")}
	after, changes := edited(t, before, Wanted{Name: "grading", Borrows: []Borrowed{{Identity: now[1]}, {Identity: now[0]}}, Known: now})
	assert.Len(t, changes, 2)
	// The device that the guest knows as reel's, ua-a, now leads to reel's new address.
	first, second, _ := strings.Cut(after, "<alias name='ua-a'/>")
	assert.Contains(t, first, "<address domain='0x0000' bus='0x02'")
	assert.Contains(t, second, "<address domain='0x0000' bus='0x01'")
}

func TestEditKeepsForeignDevicesAndRemovesItsOwn(t *testing.T) {
	here, there := reel(t, "0000:01:00.0"), spool(t, "0000:02:00.0")
	tests := []struct {
		name    string
		records []facts.Identity
		devices []string
		borrows []facts.Identity
		changes []string
		left    []string
	}{
		{"a device the layout says nothing of", nil, []string{"0000:09:00.0"}, nil, nil, []string{"0000:09:00.0"}},
		{"a controller's device made by hand", nil, []string{"0000:01:00.0", "0000:09:00.0"}, nil,
			[]string{"no longer borrows reel (RL-4410-0073) at 0000:01:00.0"}, []string{"0000:09:00.0"}},
		{"a controller's device made by hand that is wanted", nil, []string{"0000:01:00.0"}, []facts.Identity{here},
			[]string{"note of what is borrowed brought up to date"}, []string{"0000:01:00.0"}},
		{"one noted at an address where now another sits", []facts.Identity{reel(t, "0000:02:00.0")}, []string{"0000:02:00.0"}, nil,
			[]string{"no longer borrows reel (RL-4410-0073) at 0000:02:00.0"}, nil},
		{"one noted that is exchanged for another", []facts.Identity{here}, []string{"0000:01:00.0"}, []facts.Identity{there},
			[]string{"no longer borrows reel (RL-4410-0073) at 0000:01:00.0", "borrows spool (SP-1) at 0000:02:00.0"}, []string{"0000:02:00.0"}},
		{"another noted where the wanted one now sits", []facts.Identity{spool(t, "0000:01:00.0")}, []string{"0000:01:00.0"}, []facts.Identity{here},
			[]string{"no longer borrows spool (SP-1) at 0000:01:00.0", "borrows reel (RL-4410-0073) at 0000:01:00.0"}, []string{"0000:01:00.0"}},
		{"a second device of what is borrowed", []facts.Identity{here}, []string{"0000:01:00.0", "0000:01:00.0"}, []facts.Identity{here},
			[]string{"no longer borrows reel (RL-4410-0073) at 0000:01:00.0"}, []string{"0000:01:00.0"}},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			w := Wanted{Name: "grading", Known: []facts.Identity{here, there}}
			for _, r := range test.borrows {
				w.Borrows = append(w.Borrows, Borrowed{Identity: r})
			}
			after, changes := edited(t, lentAt(t, test.records, test.devices...), w)
			assert.Equal(t, test.changes, changes)
			d, err := Read(after)
			require.NoError(t, err)
			var left []string
			for _, lent := range d.Hostdevs {
				left = append(left, lent.Address.String())
			}
			assert.Equal(t, test.left, left)
			assert.ElementsMatch(t, test.borrows, d.Identities)
			assert.Equal(t, len(d.Identities) > 0, strings.Contains(after, "<metadata>"))
		})
	}
}

func TestEditRefusesWhatTheGuestHasInAnotherForm(t *testing.T) {
	for at, form := range map[string]string{"0000:06:00.0": "<disk type='nvme'>", "0000:05:10.2": "<interface type='hostdev'>"} {
		_, _, err := Edit(sample(t, "catalogue"), Wanted{Name: "catalogue", Borrows: []Borrowed{{Identity: reel(t, at)}}})
		assert.ErrorContains(t, err, "already, as a "+form)
	}
}

func TestEditMakesAnUnmanagedDeviceManaged(t *testing.T) {
	r := facts.Identity{Controller: "nic", Vendor: 0x8086, Device: 0x10d3, Address: address(t, "0000:04:00.0")}
	after, changes := edited(t, sample(t, "grading"), Wanted{Name: "grading", Borrows: []Borrowed{{Identity: r}}})
	assert.Equal(t, []string{"libvirt rebinds the driver of nic (8086:10d3) by itself (managed)", "note of what is borrowed brought up to date"}, changes)
	assert.Contains(t, after, "<hostdev mode='subsystem' type='pci' managed='yes'>\n      <source>")
}

func TestEditBootOrder(t *testing.T) {
	boots := Wanted{Name: "grading", Borrows: []Borrowed{{Identity: reel(t, "0000:01:00.0"), Boots: true}}}
	alone := lentAt(t, []facts.Identity{reel(t, "0000:01:00.0")}, "0000:01:00.0")
	ordered := func(xml, order string) string {
		return strings.Replace(xml, "      <alias name='ua-a'/>", "      <boot order='"+order+"'/>\n      <alias name='ua-a'/>", 1)
	}
	disk := func(xml, order string) string {
		return strings.Replace(xml, "  <devices>\n", "  <devices>\n    <disk type='file'><target dev='vda'/><boot order='"+order+"'/></disk>\n", 1)
	}
	bare := strings.Replace(alone, "    <boot dev='hd'/>\n", "", 1)
	tests := []struct {
		name, before string
		changes      []string
		after        string
	}{
		{"nothing has a place", alone, []string{"starts from reel: boot order 1, <boot dev='hd'/> removed"}, ordered(bare, "1")},
		{"it is first already", ordered(bare, "1"), nil, ordered(bare, "1")},
		{"it is lowest already", disk(ordered(bare, "3"), "5"), nil, disk(ordered(bare, "3"), "5")},
		{"another is first", disk(ordered(bare, "2"), "1"), []string{"starts from reel: boot order 1, disk vda moves to 2"}, disk(ordered(bare, "1"), "2")},
		{"another has the same place", disk(ordered(bare, "1"), "1"), []string{"starts from reel: boot order 1, disk vda moves to 2"}, disk(ordered(bare, "1"), "2")},
		{"another has a late place", disk(bare, "5"), []string{"starts from reel: boot order 1"}, disk(ordered(bare, "1"), "5")},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			after, changes := edited(t, test.before, boots)
			assert.Equal(t, test.changes, changes)
			assert.Equal(t, test.after, after)
		})
	}
	boots.Borrows[0].Boots = false
	after, changes := edited(t, disk(ordered(bare, "2"), "1"), boots)
	assert.Empty(t, changes, "a place in the order that the layout says nothing of stays")
	assert.Equal(t, disk(ordered(bare, "2"), "1"), after)
}
