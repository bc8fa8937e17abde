package assess_test

import (
	"maps"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/assess"
	"lendkeep/reconcile/facts"
	"lendkeep/spec"
)

func init() { maps.Copy(cases, loaderCases) }

const (
	own    = `\EFI\own\start.efi`
	second = `\EFI\second\start.efi`
)

// booting makes the bench one whose guest reads NVMe by itself and boots from a
// drive that was looked into, with these programs on it.
func (b *bench) booting(loaders ...string) facts.SystemPartition {
	b.Reads()
	b.Look("nvme0n1")
	return b.ESP("nvme0n1p1", loaders...)
}

func leadsTo(part facts.SystemPartition, file string) facts.BootEntry {
	return facts.BootEntry{Label: file, Partition: part.ID, Short: true, File: file}
}

// entry states a boot entry for grading.
func (b *bench) entry(file string) { b.layout.Guests[0].Entry = &spec.Loader{Path: file} }

type loaderCase = struct {
	change   func(*bench)
	check    string
	severity assess.Severity
	tells    string
}

var loaderCases = map[string]loaderCase{
	"nothing to start on the drive": {func(b *bench) { b.untyped() }, "loader", assess.Caution, "sgdisk -t"},
	"nothing to start, and it is to be started": {func(b *bench) { b.untyped(); b.shift = "day" },
		"loader", assess.Stop, "leave boots out"},
	"no ESP in the table": {func(b *bench) { b.Reads(); b.Look("nvme0n1") }, "loader", assess.Caution, "no EFI system partition"},
	"no program on it":    {func(b *bench) { b.booting() }, "loader", assess.Caution, "no EFI program"},
	"no program on it, and it is to be started": {func(b *bench) { b.booting(); b.shift = "day" },
		"loader", assess.Stop, "would find nothing"},
	"a medium is there to install from": {func(b *bench) {
		b.booting()
		b.shift = "day"
		b.redefine(panics{}, 0, "</devices>", "<disk type='file' device='cdrom'><source file='/srv/setup.iso'/><target dev='sdz' bus='sata'/></disk></devices>")
	}, "loader", assess.Caution, "would find nothing"},
	"no program in the image that moves": {func(b *bench) {
		moving(b)
		b.Reads()
		b.shift = "day"
		b.content("/srv/images/grading.qcow2").Volumes[0].Loaders = nil
	}, "loader", assess.Caution, "/srv/images/grading.qcow2: no EFI program"},
	"no program where firmware looks": {func(b *bench) { b.booting(own) }, "loader", assess.Caution, `boot_entry = "\\EFI\\own\\start.efi"`},
	"no program where firmware looks, entries not read": {func(b *bench) {
		b.booting(own)
		b.Variables("grading")
		b.Survey.Stores[0].Unread = "torn"
	}, "loader", assess.Note, "torn"},
	"nobody looked into the drive": {func(b *bench) { b.Reads() }, "loader", assess.Note, "nobody looked into it"},
	"a system partition with a gap": {func(b *bench) {
		b.booting(own)
		b.content("nvme0n1").Volumes[0].Gap = "sector 9 cannot be read"
	}, "loader", assess.Note, "sector 9"},
	"a drive with a gap": {func(b *bench) {
		b.booting(own)
		b.content("nvme0n1").Gaps = []facts.Gap{{Fact: "table", Reason: "it cannot be opened"}}
	}, "loader", assess.Note, "cannot be opened"},
	"an entry for a program that is not there": {func(b *bench) {
		b.Variables("grading", leadsTo(b.booting(facts.Fallback), own))
	}, "loader", assess.Caution, "not on its partition"},
	"an entry for a partition that is nowhere": {func(b *bench) {
		b.booting(facts.Fallback)
		b.Variables("grading", leadsTo(facts.SystemPartition{ID: "old"}, own))
		b.System("/srv/images/grading.qcow2") // its other disk
	}, "loader", assess.Caution, "partition old, which no disk"},
	"an entry that is tried once": {func(b *bench) {
		b.Variables("grading", leadsTo(b.booting(facts.Fallback, own), own))
		next := uint16(7)
		b.Survey.Stores[0].Next = &next
	}, "loader", assess.Caution, "BootNext Boot0007"},
	"two entries": {func(b *bench) {
		part := b.booting(facts.Fallback, own, second)
		b.Variables("grading", leadsTo(part, second), leadsTo(part, own))
	}, "loader", assess.Note, `boot_entry = "\\EFI\\own\\start.efi"`},

	"a stated entry without a store": {func(b *bench) { b.booting(own); b.entry(own) }, "loader", assess.Caution, "at the first start"},
	"a stated entry, store not looked at": {func(b *bench) {
		b.booting(own)
		b.entry(own)
		b.Variables("grading")
		b.Survey.Stores = nil
	}, "loader", assess.Caution, "did not look at it"},
	"a stated entry, store missing": {func(b *bench) {
		b.booting(own)
		b.entry(own)
		b.Variables("grading")
		b.Survey.Stores[0].Missing = true
	}, "loader", assess.Caution, "makes it at the next start"},
	"a stated entry, store damaged": {func(b *bench) {
		b.booting(own)
		b.entry(own)
		b.Variables("grading")
		b.Survey.Stores[0].Unread = "torn"
	}, "loader", assess.Caution, "torn"},
	"a stated entry, store of another format": {func(b *bench) {
		b.booting(own)
		b.entry(own)
		b.Variables("grading")
		b.Survey.Stores[0].Raw = false
	}, "loader", assess.Caution, "another format"},
	"a stated entry, drive not looked into": {func(b *bench) { b.Reads(); b.entry(own); b.Variables("grading") },
		"loader", assess.Caution, "cannot be planned"},
	"a stated entry for what is not there": {func(b *bench) { b.booting(second); b.entry(own); b.Variables("grading") },
		"loader", assess.Caution, `there: \EFI\second\start.efi`},
	"a stated program that a shim disk would not find": {func(b *bench) { b.booting(second); b.bare(); b.entry(own) },
		"loader", assess.Caution, "correct boot_entry"},
	"a stated entry, and other firmware": {func(b *bench) {
		b.booting(own)
		b.entry(own)
		b.Variables("grading")
		b.layout.Guests[0].Firmware = "/fw/bare.fd"
	}, "loader", assess.Caution, "gets other firmware"},
	"a stated entry for what is there twice": {func(b *bench) {
		b.booting(own)
		b.ESP("nvme0n1p2", own)
		b.entry(own)
		b.Variables("grading")
	}, "loader", assess.Caution, "2 partitions have"},
	"a stated entry on an MBR": {func(b *bench) {
		b.booting(own)
		b.content("nvme0n1").Table.Entries[0].ID = ""
		b.entry(own)
		b.Variables("grading")
	}, "loader", assess.Caution, "MBR"},
	"a stated entry while the drive is away": {func(b *bench) {
		b.Reads()
		b.entry(own)
		b.Builder.Guest("other", "", b.Identity("reel", b.reel))
		b.Variables("grading")
		b.Function(b.reel).Driver, b.Function(b.reel).NVMe = "vfio-pci", nil
		b.Survey.Blocks, b.Survey.Mounts = b.Survey.Blocks[:1], b.Survey.Mounts[:1]
	}, "loader", assess.Caution, "while the drive is with the host"},

	"another file where the shim disk goes": {func(b *bench) {
		b.bare()
		b.Survey.Shims = []facts.PlacedShim{{Shim: facts.Shim{Path: b.planned().Path}, Why: "torn"}}
	}, "boot", assess.Stop, "torn"},
	"no folder for the shim disk": {func(b *bench) { b.bare(); b.Survey.ShimGap = "file does not exist" },
		"boot", assess.Caution, "mode 0711"},
	"the shim disk's folder is on a lent drive": {func(b *bench) {
		b.bare()
		b.layout.Controllers[0].Return.Mounts[0].Path = "/var/lib/libvirt"
	}, "boot", assess.Caution, "a drive that is lent"},
	"which system a shim disk starts is not known yet": {func(b *bench) { b.bare(); b.Survey.Blocks = nil }, "loader", assess.Note, "makes another for it"},
	"a shim disk that cannot be placed": {func(b *bench) { b.bare(); b.Survey.ShimGap = "file does not exist" },
		"not-carried-out", assess.Caution, "--as disk"},
}

// bare makes the bench one whose firmware cannot read NVMe, with a shim disk.
func (b *bench) bare() {
	b.Bare()
	b.layout.Shims = []spec.Shim{{Name: "start", Donor: "/fw/donor.fd", As: "disk"}}
	b.layout.Guests[0].Shim = &spec.Ref{Name: "start"}
}

func (b *bench) planned() *assess.PlannedShim {
	return assess.NewCase(b.layout, facts.NewIndex(&b.Survey), nil).Change(&b.layout.Guests[0]).Shim
}

// What is in order has no finding at all.
func TestSoundLoadersAreSilent(t *testing.T) {
	for name, change := range map[string]func(*bench){
		"at the fallback path": func(b *bench) { b.booting(`\efi\boot\bootx64.efi`) },
		"by an entry":          func(b *bench) { b.Variables("grading", leadsTo(b.booting(own), own)) },
		"an entry for a disk that nobody looked into": func(b *bench) {
			b.booting(facts.Fallback)
			b.Variables("grading", leadsTo(facts.SystemPartition{ID: "old"}, own))
		},
		"an entry for the image's own": func(b *bench) {
			b.booting(facts.Fallback)
			b.System("/srv/images/grading.qcow2")
			b.Variables("grading", leadsTo(facts.SystemPartition{ID: "5f0c3b1e-0000-4000-8000-0000000000e1"}, own))
		},
		"an entry that is never tried": func(b *bench) {
			b.Variables("grading", leadsTo(b.booting(facts.Fallback), own))
			b.Survey.Stores[0].Entries[0].Active = false
		},
		"a stated entry": func(b *bench) { b.booting(own); b.entry(own); b.Variables("grading") },
		"another medium's entry": func(b *bench) {
			b.booting(facts.Fallback)
			b.Variables("grading", facts.BootEntry{Label: "a network card"})
		},
		"by a shim disk": func(b *bench) {
			b.booting(`\EFI\Microsoft\Boot\bootmgfw.efi`)
			b.bare()
		},
	} {
		t.Run(name, func(t *testing.T) {
			b := newBench()
			change(b)
			for _, f := range b.findings() {
				assert.NotEqual(t, "loader", f.Check, "%+v", f)
			}
		})
	}
}

func TestEntryIsPlanned(t *testing.T) {
	b := newBench()
	part := b.booting(facts.Fallback, own)
	b.entry(`\EFI\OWN\start.efi`)
	b.Variables("grading", leadsTo(part, facts.Fallback), leadsTo(part, own))
	plan := func() *assess.PlannedEntry {
		entry, why := assess.NewCase(b.layout, facts.NewIndex(&b.Survey), nil).Entry(&b.layout.Guests[0])
		assert.Empty(t, why.Summary)
		return entry
	}
	entry := plan()
	require.NotNil(t, entry)
	assert.Equal(t, facts.NewEntry{Label: "lendkeep reel", Partition: part, File: `\EFI\OWN\start.efi`}, entry.NewEntry)
	entries := b.Survey.Stores[0].Entries
	entries[0].Place, entries[1].Place = 2, 1
	assert.Nil(t, plan(), "it is first already")

	// A system that moves there with its partitions can be planned for.
	b = newBench()
	moving(b)
	b.Reads()
	b.Variables("grading")
	b.entry(facts.Fallback)
	entry = plan()
	require.NotNil(t, entry)
	assert.Equal(t, facts.SystemPartition{Number: 1, ID: "5f0c3b1e-0000-4000-8000-0000000000e1", First: 2048, Sectors: 204800}, entry.Partition)

	// A shim disk starts the program itself.
	b = newBench()
	b.booting(own)
	b.bare()
	b.entry(own)
	b.Variables("grading")
	assert.Nil(t, plan())
	assert.Equal(t, own, b.planned().Loader)
}

func TestShimDiskIsPlanned(t *testing.T) {
	b := newBench()
	b.bare()
	assert.Equal(t, facts.SystemPartition{}, b.planned().From, "no partition is known to hold a system")
	assert.Equal(t, "virtio", b.planned().Bus)
	assert.Empty(t, checked(b, "not-carried-out"))

	b.Look("nvme0n1")
	part := b.ESP("nvme0n1p1", facts.Fallback)
	specific := b.planned()
	assert.Equal(t, part, specific.From)
	b.Survey.Contents = nil
	assert.Equal(t, part, b.planned().From, "the kernel shows where it lies")
	b.Look("nvme0n1")
	b.ESP("nvme0n1p1", facts.Fallback)
	b.ESP("nvme0n1p2")
	assert.Equal(t, part, b.planned().From, "the only one with a loader")
	b.ESP("nvme0n1p2", facts.Fallback)
	assert.Equal(t, facts.SystemPartition{}, b.planned().From, "either may be meant")
	b.Survey.Firmware[0].Virtio = facts.Unknown
	assert.Equal(t, "sata", b.planned().Bus, "what all firmware reads")

	b = newBench()
	moving(b)
	b.bare()
	assert.Equal(t, "5f0c3b1e-0000-4000-8000-0000000000e1", b.planned().From.ID, "the copy brings it")
}

// What a guest has is kept while nothing better is known: of the drive, what was seen
// of it last.
func TestShimDiskIsKept(t *testing.T) {
	part := facts.SystemPartition{}
	lent := func(b *bench) {
		b.Function(b.reel).Driver, b.Function(b.reel).NVMe = "vfio-pci", nil
		b.Survey.Blocks, b.Survey.Mounts, b.Survey.Contents = nil, nil, nil
	}
	unread := func(b *bench) { // it is back, and nobody has said what its partitions are
		b.Survey.Contents = nil
		b.Block("nvme0n1p1").Partition.Type = ""
	}
	for name, c := range map[string]struct {
		change func(*bench)
		kept   bool // to the byte
		from   *facts.SystemPartition
	}{
		"all as it was":                    {func(*bench) {}, true, &part},
		"nobody looked at the donor":       {func(b *bench) { b.Survey.Firmware = b.Survey.Firmware[:1] }, true, &part},
		"the drive is lent":                {lent, true, &part},
		"it is back and was not read yet":  {unread, true, &part},
		"it is back and no drive was seen": {func(b *bench) { b.Survey.Blocks, b.Survey.Contents = nil, nil }, true, &part},
		"either of two that nobody looked into": {func(b *bench) {
			b.ESP("nvme0n1p2", facts.Fallback)
			b.Survey.Contents = nil
		}, true, &part},
		"lent, and the donor another": {func(b *bench) { lent(b); b.Survey.Firmware[1].ShellSum = "another" }, false, &part},
		"lent, and a program stated":  {func(b *bench) { lent(b); b.entry(own) }, false, &part},
		"lent, and another drive meant": {func(b *bench) {
			b.NVMe("RL-4410-0088")
			lent(b)
			b.layout.Controllers[0].NVMe.Serial = "RL-4410-0088"
		}, false, &facts.SystemPartition{}},
		"seen not to be there": {func(b *bench) {
			b.Survey.Contents = nil
			for _, name := range []string{"nvme0n1p1", "nvme0n1p2"} {
				b.Block(name).Partition.Type = "0fc63daf-8483-4772-8e79-3d69d8477de4"
			}
		}, false, &facts.SystemPartition{}},
		"either of two may be meant": {func(b *bench) { b.ESP("nvme0n1p2", facts.Fallback) }, false, &facts.SystemPartition{}},
	} {
		t.Run(name, func(t *testing.T) {
			b := newBench()
			b.bare()
			b.Look("nvme0n1")
			part = b.ESP("nvme0n1p1", facts.Fallback)
			has := b.planned()
			after := assess.NewCase(b.layout, facts.NewIndex(&b.Survey), nil).Change(&b.layout.Guests[0]).Becomes
			b.Survey.Libvirt.Guests[0].Kept = &after
			b.Survey.Shims = []facts.PlacedShim{{Shim: has.Shim}}
			c.change(b)
			change := assess.NewCase(b.layout, facts.NewIndex(&b.Survey), nil).Change(&b.layout.Guests[0])
			require.NotNil(t, change.Shim)
			assert.Equal(t, *c.from, change.Shim.From)
			assert.Equal(t, c.kept, change.Shim.Path == has.Path)
			assert.Equal(t, c.kept, len(change.Changes) == 0, "%v", change.Changes)
		})
	}
}
