//go:build libvirt_dlopen

package libvirt

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/definition"
	"lendkeep/reconcile/facts"
	"lendkeep/testdata/outside"
)

func judge(t *testing.T) *Judge {
	t.Helper()
	j, err := OpenJudge()
	if errors.Is(err, ErrMissing) {
		outside.Missing(t, err.Error())
	}
	require.NoError(t, err)
	t.Cleanup(j.Close)
	return j
}

// samples is seen from the package's folder, and from that of a child (inChild).
const samples = "../../reconcile/definition/testdata"

// sample reads a definition that libvirt 9.0.0's QEMU driver has printed.
func sample(t testing.TB, name string) string {
	t.Helper()
	content, err := os.ReadFile(filepath.Join(samples, name+".xml"))
	require.NoError(t, err)
	return string(content)
}

func at(bus uint8) facts.Address { return facts.Address{Bus: bus} }

func reel(bus uint8) facts.Identity {
	return facts.Identity{Controller: "reel", Serial: "RL-4410-0073", Vendor: 0x1b36, Device: 0x10, Address: at(bus)}
}

func spool(bus uint8) facts.Identity {
	return facts.Identity{Controller: "spool", Serial: `"S" & <1>`, Vendor: 0x1b36, Device: 0x10, Address: at(bus)}
}

// screen is all functions of a slot.
func screen(bus uint8) facts.Identity {
	r := facts.Identity{Controller: "screen", Vendor: 0x10de, Device: 0x2484, Address: at(bus)}
	r.Functions[0], r.Functions[1] = facts.Make{Vendor: 0x10de, Device: 0x2484, SubsystemVendor: 0x1043, SubsystemDevice: 0x8790}, facts.Make{Vendor: 0x10de, Device: 0x228b}
	return r
}

// wish is a definition and what a layout states of it.
type wish struct {
	name  string
	xml   string
	wants definition.Wanted
}

// everything is what libvirt may offer to new guests.
var everything = facts.Offers{Random: true, TPM: []string{"tpm-tis", "tpm-crb"},
	HyperV: []string{"relaxed", "vapic", "spinlocks", "vpindex", "runtime", "synic", "stimer", "reset", "vendor_id", "frequencies", "reenlightenment", "tlbflush", "ipi", "evmcs", "avic"}}

// wishes are definitions edited and made in every way that a layout knows, new
// guests with what is offered.
func wishes(t testing.TB, offers facts.Offers) []wish {
	on, off := true, false
	lends := func(name string, boots bool) definition.Wanted {
		return definition.Wanted{Name: name, Known: []facts.Identity{reel(1), spool(2)},
			Borrows: []definition.Borrowed{{Identity: reel(1), Boots: boots}, {Identity: spool(2)}}}
	}
	all := lends("grading", true)
	all.CPUs, all.MemoryBytes, all.HugePages, all.PageBytes = 6, 16<<30, &on, 1<<30
	all.Near = &definition.Near{Node: 0, CPUs: []int{1, 9, 2, 10, 3, 11}, Rest: "0,8"}
	all.Disks = []definition.Disk{
		{Name: "it's", Source: `/srv/"a" & <b>.qcow2`, Kind: "file", Format: "qcow2"},
		{Name: "games", Source: "/dev/disk/by-partuuid/4f1c0c52-9a0e-4c6e-8f0a-5c1f2f0e7a11", Kind: "block", Bus: "scsi"},
		{Name: "vda", Source: "/srv/images/b.raw", Kind: "file", Format: "raw", Bus: "sata"},
	}
	all.Networks = []definition.Network{{Name: "lan", Bridge: "br1", MAC: "52:54:00:6d:90:01", Model: "virtio"}, {Name: "far", Network: "default"}}
	made := all
	made.Name, made.Type, made.Firmware, made.Emulator = "made & new", "qemu", "/usr/share/OVMF/OVMF_CODE_4M.fd", "/usr/bin/qemu-system-x86_64"
	least := definition.Wanted{Name: "least", Type: "qemu", MemoryBytes: 1 << 30}
	fitted := definition.Wanted{Type: "qemu", MemoryBytes: 1 << 30, CPUs: 4, Offers: offers}
	windows, linux := fitted, fitted
	windows.Name, windows.System = "windows", "windows"
	linux.Name, linux.System = "linux", "linux"
	byROM := lends("l2", true)
	byROM.Borrows[0].ROM = "/usr/share/qemu/lendkeep-reel-0a1b2c3d.rom"
	whole := lends("grading", false)
	whole.Borrows = append(whole.Borrows, definition.Borrowed{Identity: screen(0x41)})
	wholes := definition.Wanted{Name: "wholes", Type: "qemu", MemoryBytes: 1 << 30, Borrows: []definition.Borrowed{{Identity: screen(0x41)}, {Identity: spool(2)}, {Identity: screen(0x42)}}}
	returned := definition.Wanted{Name: "l2", Known: []facts.Identity{reel(1)}, HugePages: &off, Firmware: "bios"}
	return []wish{
		{"a guest as it is", sample(t, "grading"), definition.Wanted{Name: "grading"}},
		{"everything", sample(t, "grading"), all},
		{"loans alone", sample(t, "l2-kept"), lends("l2", true)},
		{"an option ROM", sample(t, "l2-kept"), byROM},
		{"a loan given back", sample(t, "l2-kept"), returned},
		{"a whole slot", sample(t, "grading"), whole},
		{"a guest that is made with whole slots", create(t, wholes), wholes},
		{"a guest that is made", create(t, made), made},
		{"the least guest", create(t, least), least},
		{"a Windows guest that is made", create(t, windows), windows},
		{"a Linux guest that is made", create(t, linux), linux},
	}
}

func create(t testing.TB, w definition.Wanted) string {
	xml, _, err := definition.Create(w)
	require.NoError(t, err)
	return xml
}

func (w wish) edited(t testing.TB) string {
	after, _, err := definition.Edit(w.xml, w.wants)
	require.NoError(t, err)
	return after
}

// libvirt accepts every definition, and after it has been through libvirt the
// layout has nothing left to wish for.
func TestJudgeAcceptsWhatIsEditedAndMade(t *testing.T) {
	for _, w := range wishes(t, everything) {
		t.Run(w.name, func(t *testing.T) {
			kept, err := judge(t).Define(t.Context(), w.edited(t))
			require.NoError(t, err)
			after, changes, err := definition.Edit(kept, w.wants)
			require.NoError(t, err)
			assert.Empty(t, changes)
			assert.Equal(t, kept, after)
		})
	}
}

// What libvirt's QEMU driver printed comes back from the judge as it was.
func TestJudgeIsFaithful(t *testing.T) {
	j := judge(t)
	before := strings.TrimRight(sample(t, "l2-kept"), "\n") + "\n"
	kept, err := j.Define(t.Context(), before)
	require.NoError(t, err)
	assert.Equal(t, before, kept)

	// Controllers are sorted by kind whenever libvirt reads a definition, and
	// its QEMU driver had added some at the end of this one.
	once, err := j.Define(t.Context(), sample(t, "grading"))
	require.NoError(t, err)
	assert.ElementsMatch(t, strings.Split(sample(t, "grading"), "\n"), strings.Split(once, "\n"))
	again, err := j.Define(t.Context(), once)
	require.NoError(t, err)
	assert.Equal(t, once, again)
}

func TestJudgeRefuses(t *testing.T) {
	good := wishes(t, everything)[1].edited(t)
	replace := func(old, now string) string {
		require.Contains(t, good, old)
		return strings.Replace(good, old, now, 1)
	}
	tests := []struct{ name, xml, says string }{
		{"what the schema does not know", replace("<vcpu ", "<speed>9</speed><vcpu "), "failed to validate against schema"},
		{"a place in the boot order twice", replace("<boot order='2'/>", "<boot order='1'/>"), "boot order"},
		{"both kinds of boot order", replace("<bootmenu ", "<boot dev='hd'/><bootmenu "), "cannot be used together"},
		{"two disks of one name", replace("<target dev='vdb'", "<target dev='sda'"), "target 'sda' duplicated"},
		{"another guest's name", replace("6f1d2a34-0c5e", "6f1d2a34-0c5f"), "already exists with uuid"},
	}
	j := judge(t)
	_, err := j.Define(t.Context(), good)
	require.NoError(t, err)
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			kept, err := j.Define(t.Context(), test.xml)
			require.Error(t, err)
			assert.Contains(t, err.Error(), "define guest grading: ")
			assert.Contains(t, err.Error(), test.says)
			assert.NotContains(t, err.Error(), "virError")
			assert.Empty(t, kept)
		})
	}
	_, err = j.Define(t.Context(), "<domain/>")
	assert.ErrorContains(t, err, "names no guest")
}

func TestJudgeKeepsToTheLifeOfAGuest(t *testing.T) {
	j, ctx := judge(t), t.Context()
	require.ErrorContains(t, j.Start(ctx, "grading"), "Domain not found")
	require.ErrorContains(t, j.Undefine(ctx, "grading"), "Domain not found")
	_, err := j.Define(ctx, sample(t, "grading"))
	require.NoError(t, err)
	require.ErrorContains(t, j.Stop(ctx, "grading"), "not running")
	require.NoError(t, j.Start(ctx, "grading"))
	require.ErrorContains(t, j.Start(ctx, "grading"), "already running")

	// A definition that is changed now counts from the next start.
	changed := strings.ReplaceAll(sample(t, "grading"), "524288", "1048576")
	_, err = j.Define(ctx, changed)
	require.NoError(t, err)
	guest := j.conn.Survey(ctx).Guests[0]
	assert.Equal(t, uint64(512<<20), guest.Live.MemoryBytes)
	assert.Equal(t, uint64(1<<30), guest.Kept.MemoryBytes)

	require.NoError(t, j.Stop(ctx, "grading"))
	require.NoError(t, j.Undefine(ctx, "grading"))
	assert.Empty(t, j.conn.Survey(ctx).Guests)
}

func TestJudgesKnowNothingOfEachOther(t *testing.T) {
	one, other := judge(t), judge(t)
	_, err := one.Define(t.Context(), sample(t, "grading"))
	require.NoError(t, err)
	assert.Empty(t, other.conn.Survey(t.Context()).Guests)
}

func TestJudgeStopsWaitingWhenToldTo(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	_, err := judge(t).Define(ctx, sample(t, "grading"))
	require.ErrorIs(t, err, context.Canceled)
	assert.ErrorContains(t, err, "not begun")
}

// A new guest can be judged again: it gets another UUID each time, and the one that was
// judged before does not stand against it.
func TestNewGuestsAreJudgedAgain(t *testing.T) {
	j := judge(t)
	const guest = "<domain type='kvm'><name>g0</name><memory>131072</memory><vcpu>1</vcpu><os><type>hvm</type></os></domain>"
	first, err := j.Define(t.Context(), guest)
	require.NoError(t, err)
	second, err := j.Define(t.Context(), guest)
	require.NoError(t, err)
	assert.NotEqual(t, first, second)
}
