package carry_test

import (
	"context"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/memory"
	"lendkeep/reconcile/assess"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/fault"
	"lendkeep/reconcile/invented"
	"lendkeep/reconcile/order"
	"lendkeep/reconcile/rehearse"
	"lendkeep/spec"
)

func init() { shifts["by disk"], shifts["by entry"] = byDisk, byEntry }

// byDisk is the day shift of a host whose firmware cannot read NVMe, with a shim
// disk, on a drive whose partitions are known.
func byDisk(t *testing.T) (facts.Survey, order.Sealed) {
	survey, _ := day(t)
	b := invented.Builder{Survey: survey}
	b.Bare()
	b.Look("nvme0n1")
	b.ESP("nvme0n1p1", facts.Fallback)
	layout := larch()
	layout.Shims = []spec.Shim{invented.Shim("start", "disk")}
	layout.Guests[0].Shim = &spec.Ref{Name: "start"}
	return b.Survey, plan(t, b.Survey, layout, "day")
}

func TestShiftByDisk(t *testing.T) {
	survey, sealed := byDisk(t)
	list := does(sealed)
	require.Len(t, list, 7)
	assert.Regexp(t, `^build the shim disk of reel from /fw/donor.fd, as /var/lib/libvirt/images/lendkeep-reel-[0-9a-f]{8}.img, to start from partition 1 \(`, list[2])
	assert.Equal(t, "change the definition of guest grading", list[3])
	c := assess.NewCase(larch(), facts.NewIndex(&survey), nil)
	assert.Nil(t, c.Change(&c.Layout.Guests[0]).Shim, "without the shim in the layout there is none")
	survey.Firmware[1].SHA256 = "d1"
	assert.NotEmpty(t, changesOf(t, sealed, survey), "a donor that was exchanged makes the order stale")
}

// byEntry is a day shift that has the firmware start another program first, puts a
// card of the controller's group aside and retires a guest.
func byEntry(t *testing.T) (facts.Survey, order.Sealed) {
	survey, _ := day(t)
	b := invented.Builder{Survey: survey}
	b.Reads()
	b.Look("nvme0n1")
	part := b.ESP("nvme0n1p1", facts.Fallback, `\EFI\own.efi`)
	b.Variables("grading", facts.BootEntry{Label: "usual", Partition: part.ID, Short: true, File: facts.Fallback})
	layout := larch()
	layout.Guests[0].Entry = &spec.Loader{Path: `\EFI\own.efi`}
	b.Card(facts.Address{Bus: 1}, "e1000e")
	card := invented.Controller("card", "")
	card.NVMe, card.PCI = nil, &spec.PCIIdentity{Vendor: 0x8086, Device: 0x10d3}
	layout.Controllers = append(layout.Controllers, card)
	b.Guest("old", "")
	old := invented.Guest("old")
	old.Retired = true
	layout.Guests = append(layout.Guests, old)
	return b.Survey, plan(t, b.Survey, layout, "day")
}

func TestShiftByEntry(t *testing.T) {
	survey, sealed := byEntry(t)
	list := does(sealed)
	require.Len(t, list, 9)
	assert.Contains(t, list[3], `first \EFI\own.efi of partition 1`)
	survey.Stores[0].SHA256 = "another"
	assert.Equal(t, []string{"sha256 of variables /var/lib/libvirt/qemu/nvram/grading_VARS.fd was 57grading, is another"}, changesOf(t, sealed, survey),
		"variables that the guest has written since make the order stale")
}

// A system that moves brings the partition that its shim disk, or its boot
// entry, is for; once it is there nothing is left to do.
func TestMovingKeepsItsStart(t *testing.T) {
	for name, by := range map[string]func(*invented.Builder, *spec.Layout){
		"by disk": func(b *invented.Builder, layout *spec.Layout) {
			b.Bare()
			layout.Shims = []spec.Shim{invented.Shim("start", "disk")}
			layout.Guests[0].Shim = &spec.Ref{Name: "start"}
		},
		"by entry": func(b *invented.Builder, layout *spec.Layout) {
			b.Reads()
			b.Variables("grading")
			b.Run("grading") // with them
			layout.Guests[0].Entry = &spec.Loader{Path: facts.Fallback}
		},
	} {
		t.Run(name, func(t *testing.T) {
			survey, layout := movingFrom()
			b := invented.Builder{Survey: survey}
			by(&b, layout)
			sealed := plan(t, b.Survey, layout, "night")
			assert.Contains(t, strings.Join(does(sealed), "\n"), "partition 1 (5f0c3b1e-0000-4000-8000-0000000000e1)")
			r := rehearse.Rehearsal{Host: memory.Rehearse, Survey: b.Survey, Sealed: sealed, Pick: func(call int, mode fault.Mode) bool { return mode == fault.Fail || mode == fault.Crash }}
			report, err := r.Run(context.Background())
			require.NoError(t, err)
			require.True(t, report.Through.Good, report.Through.Why)
			for _, c := range report.Cases {
				assert.True(t, c.Good, "%+v", c)
			}
			assert.Empty(t, does(plan(t, r.Planned(), layout, "night")))
		})
	}
}
