package step_test

import (
	"encoding/json"
	"maps"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/memory"
	"lendkeep/reconcile/definition"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/guard"
	"lendkeep/reconcile/invented"
	"lendkeep/reconcile/step"
	"lendkeep/spec"
)

var reel = facts.Identity{Controller: "reel", Address: facts.Address{Bus: 1}, Vendor: 0x1b36, Device: 0x0010, Serial: "RL-4410-0073"}

var shelf = step.Filesystem{Controller: reel, Partition: "shelf", FSType: "xfs", Path: "/srv/shelf", Options: []string{"noatime"}}

// Every kind of step is made up, says everything of itself, and is read back as it
// was written.
func TestEveryKindOfStep(t *testing.T) {
	met := map[string]bool{}
	for _, s := range invented.Steps() {
		about := s.About()
		met[about.Kind] = true
		t.Run(about.Kind, func(t *testing.T) {
			written := step.Written{Step: s, Why: spec.Place{File: "larch.hcl", Line: 3, Column: 1}}
			content, err := json.Marshal(written)
			require.NoError(t, err)
			var read step.Written
			require.NoError(t, json.Unmarshal(content, &read))
			assert.Equal(t, written, read)

			assert.NotEmpty(t, about.Does)
			assert.True(t, about.Undoes != "" || about.Recovers != nil, "only what comes back goes again by itself")
			assert.Contains(t, []step.Risk{step.Safe, step.Starts, step.Stops, step.Erases}, about.Risk)
			assert.Positive(t, about.Takes)
			assert.NotEmpty(t, about.Gives)
			assert.True(t, about.Risk != step.Erases || about.Erases != "", "the serial is asked for")
			values := map[step.Thing]string{}
			for _, given := range about.Gives {
				assert.NotEmpty(t, given.Value)
				assert.Empty(t, values[given.Of], "%s cannot have two values", given.Of)
				values[given.Of] = given.Value
			}
			for _, needed := range about.Needs {
				assert.NotEmpty(t, needed.Value)
				assert.NotEqual(t, needed.Value, values[needed.Of], "%s is so already", needed.Of)
			}
		})
	}
	assert.Equal(t, step.Kinds(), slices.Sorted(maps.Keys(met)))
}

func TestUnknownStepsAreRefused(t *testing.T) {
	var w step.Written
	require.ErrorContains(t, json.Unmarshal([]byte(`{"kind": "burn", "why": {"file": "", "line": 0, "column": 0}, "step": {}}`), &w), `"burn"`)
	require.ErrorContains(t, json.Unmarshal([]byte(`{"kind": "stop guest", "why": {"file": "", "line": 0, "column": 0}, "step": {"force": true}}`), &w), "force")
	require.Error(t, json.Unmarshal([]byte(`{"kind": "stop guest", "extra": 1}`), &w))
}

// Orders of another machine may say anything: nothing of it names a program or a
// path where none is meant.
func TestUnsoundStepsAreRefused(t *testing.T) {
	for kind, change := range map[string]func(step.Step){
		"mount":               func(s step.Step) { s.(*step.Mount).FSType = "fuse./tmp/a" },
		"unmount":             func(s step.Step) { s.(*step.Unmount).FSType = "fuse./tmp/a" },
		"stop guest":          func(s step.Step) { s.(*step.StopGuest).Mounts = []step.Filesystem{{Path: "/etc/cron.d"}} },
		"copy drive to image": func(s step.Step) { s.(*step.CopyBack).Image.Path = "/etc/cron.d/a" },
		"clear drive":         func(s step.Step) { s.(*step.ClearDrive).Keep = "../../../etc/a" },
		"define guest": func(s step.Step) {
			s.(*step.DefineGuest).Wanted.Disks = []definition.Disk{{Name: "a", Source: "/etc/shadow", Kind: "file", Format: "raw"}}
		},
		"copy system":     func(s step.Step) { s.(*step.CopySystem).Keep = "../../../etc/a" },
		"write table":     func(s step.Step) { s.(*step.WriteTable).Keep = "" },
		"make filesystem": func(s step.Step) { s.(*step.MakeFilesystem).Keep = ".." },
		"start at boot":   func(s step.Step) { s.(*step.StartAtBoot).Keep = "a/b" },
	} {
		found := false
		for _, s := range invented.Steps() {
			if s.About().Kind != kind {
				continue
			}
			found = true
			change(s)
			content, err := json.Marshal(step.Written{Step: s})
			require.NoError(t, err)
			var w step.Written
			assert.Error(t, json.Unmarshal(content, &w), kind)
		}
		assert.True(t, found, kind)
	}
	for kind, may := range map[string]bool{"": true, "xfs": true, "hfsplus": true, "ReFS": true, "fuse": false, "fuseblk": false, "FUSE.a": false, "xfs.a": false, "../a": false, "a b": false, "a\n": false} {
		assert.Equal(t, may, facts.MountKind(kind), kind)
	}
}

// A new guest is run by the QEMU that this host's libvirt takes, whatever an order says.
func TestNewGuestRunsTheHostsQEMU(t *testing.T) {
	ix := answered(host())
	for emulator, says := range map[string]string{"": "", "/usr/bin/qemu-system-x86_64": "", "/srv/shelf/qemu": "it would run /srv/shelf/qemu, and libvirt here takes /usr/bin/qemu-system-x86_64"} {
		s := &step.DefineGuest{Guest: "new", Wanted: definition.Wanted{Name: "new", MemoryBytes: 1 << 30, Emulator: emulator}}
		if err := s.Ready(ix); says == "" {
			assert.NoError(t, err)
		} else {
			assert.ErrorContains(t, err, says)
		}
	}
}

// host has reel at home with its shelf mounted, and grading off.
func host() *invented.Builder {
	b := invented.NewBuilder()
	b.NVMe("RL-4410-0073", "start", "shelf")
	b.Mount("nvme0n1p2", "/srv/shelf")
	b.Guest("grading", "", reel)
	return b
}

func TestStartIsRefused(t *testing.T) {
	for name, c := range map[string]struct {
		change func(*invented.Builder)
		says   string
	}{
		"in use by a mount": {func(b *invented.Builder) {}, "the host uses it: 0000:01:00.0 > nvme0n1 > nvme0n1p2 (shelf) > mount /srv/shelf"},
		"gone":              {func(b *invented.Builder) { b.Function(reel.Address).NVMe.Serial = "RL-4410-0088" }, "it is gone, not home"},
		"aside": {func(b *invented.Builder) {
			b.Function(reel.Address).NVMe, b.Function(reel.Address).Driver = nil, "vfio-pci"
		}, "it is aside, not home"},
		"moved":                    {func(b *invented.Builder) { b.Function(reel.Address).Address.Bus = 7 }, "it is at 0000:07:00.0"},
		"in no group":              {func(b *invented.Builder) { b.Survey.Mounts = nil; b.Function(reel.Address).Group = nil }, "in no IOMMU group"},
		"group with a driver":      {func(b *invented.Builder) { b.Survey.Mounts = nil; b.Card(reel.Address, "e1000e") }, "82574L"},
		"a disk without its mount": {func(b *invented.Builder) { b.Survey.Mounts = nil }, "nothing is mounted at /srv/other"},
	} {
		t.Run(name, func(t *testing.T) {
			b := host()
			c.change(b)
			s := &step.StartGuest{Guest: "grading", Borrows: []facts.Identity{reel}, LivesOn: []string{"/srv/other"}}
			require.ErrorContains(t, s.Ready(answered(b)), c.says)
		})
	}
	b := host()
	b.Survey.Mounts = nil
	b.Nodes(1, 2)
	b.Edit("grading", "<os", "<memoryBacking><hugepages/></memoryBacking><os")
	start := &step.StartGuest{Guest: "grading"}
	require.ErrorContains(t, start.Ready(answered(b)), "needs 512 huge pages of 2.0 MiB on node 0 and finds 0; plan again")
	b.Survey.Machine.HugePages[0].Spare = 512
	require.NoError(t, start.Ready(answered(b)), "the kernel makes them")

	b = host()
	b.Survey.Mounts = nil
	require.NoError(t, (&step.StartGuest{Guest: "grading", Borrows: []facts.Identity{reel}}).Ready(answered(b)))
}

// Undoing long after the deed looks again: a drive that has come into use since
// is not lent.
func TestUndoLooksAgain(t *testing.T) {
	b := host()
	stop := &step.StopGuest{Guest: "grading", LetsGo: []facts.Identity{reel}}
	require.ErrorContains(t, stop.MayUndo(answered(b)), "the host uses it")
	idle := &step.TakeBack{Controller: reel, Idle: true}
	require.ErrorContains(t, idle.MayUndo(answered(b)), "the host uses it")
	b.Survey.Mounts = nil
	require.NoError(t, stop.MayUndo(answered(b)))
	require.NoError(t, idle.MayUndo(answered(b)))

	b = host()
	b.Guest("catalogue", "/srv/shelf/catalogue.qcow2")
	b.Run("catalogue")
	require.ErrorContains(t, (&step.Mount{Filesystem: shelf}).MayUndo(facts.NewIndex(&b.Survey)), "guest catalogue")
	require.ErrorContains(t, (&step.Unmount{Filesystem: shelf}).Ready(facts.NewIndex(&b.Survey)), "guest catalogue")
}

// A drive that is not there is named as it is written on it.
func TestMountNamesTheDriveThatIsGone(t *testing.T) {
	b := host()
	b.Survey.Functions = nil
	m := &step.Mount{Filesystem: step.Filesystem{Controller: reel, Partition: "shelf", FSType: "xfs", Path: "/srv/shelf"}}
	require.ErrorContains(t, m.Ready(answered(b)), "controller reel (RL-4410-0073) is gone")
}

func TestMountGoesByThePartitionNotTheName(t *testing.T) {
	b := host()
	fs := shelf
	fs.PartitionID = b.Block("nvme0n1p2").Partition.ID
	standing, _ := (&step.Mount{Filesystem: fs}).Stands(facts.NewIndex(&b.Survey))
	assert.Equal(t, step.After, standing)

	shown := b.Survey.Mounts
	b.Survey.Mounts = nil
	standing, _ = (&step.Mount{Filesystem: fs}).Stands(facts.NewIndex(&b.Survey))
	assert.Equal(t, step.Before, standing)
	signature := b.Block("nvme0n1p2").Signature
	b.Block("nvme0n1p2").Signature = nil // just come back: udev has not looked yet
	standing, _ = (&step.Mount{Filesystem: fs}).Stands(facts.NewIndex(&b.Survey))
	assert.Equal(t, step.Neither, standing)
	b.Block("nvme0n1p2").Signature, b.Survey.Mounts = signature, shown

	b.Block("nvme0n1p2").Partition.ID = "another"
	standing, _ = (&step.Mount{Filesystem: fs}).Stands(facts.NewIndex(&b.Survey))
	assert.Equal(t, step.Neither, standing)
	b.Survey.Mounts = nil
	require.ErrorContains(t, (&step.Mount{Filesystem: fs}).Ready(facts.NewIndex(&b.Survey)), "the order was written for")

	b = host()
	b.Block("nvme0n1p1").Partition.Name = "shelf" // two of that name: none is meant
	b.Survey.Mounts = nil
	require.ErrorContains(t, (&step.Mount{Filesystem: shelf}).Ready(facts.NewIndex(&b.Survey)), "more than one")
}

// answered gives the facts of a host whose kernel was asked.
func answered(b *invented.Builder) *facts.Index {
	survey := b.Survey.Answered()
	return facts.NewIndex(&survey)
}

// A captured tree says nothing of who holds a drive.
func TestNothingIsLentUnasked(t *testing.T) {
	b := invented.NewBuilder()
	reel := b.Identity("reel", b.NVMe("RL-4410-0073", "shelf"))
	holds := b.Look("nvme0n1").Describe()
	erased := &step.ClearDrive{Holds: holds, Target: step.Target{Controller: reel, Drive: facts.Drive{Serial: "RL-4410-0073", Namespace: 1, SizeBytes: 2 << 30, SectorBytes: 512}}}
	unasked := facts.NewIndex(&b.Survey)
	for _, s := range []step.Step{&step.StartGuest{Guest: "grading", Borrows: []facts.Identity{reel}}, &step.SetAside{Controller: reel}, erased} {
		assert.ErrorContains(t, s.Ready(unasked), "the kernel was not asked", s.About().Does)
		assert.NoError(t, s.Ready(answered(b)), s.About().Does)
	}
	late := b.Survey.Answered() // a partition has appeared since
	late.Blocks[len(late.Blocks)-1].Exclusive = facts.NotAsked
	assert.ErrorContains(t, (&step.SetAside{Controller: reel}).Ready(facts.NewIndex(&late)), "the kernel was not asked who holds nvme0n1p1")
	idle := step.TakeBack{Controller: reel, Idle: true}
	assert.ErrorContains(t, idle.MayUndo(unasked), "the kernel was not asked")
}

// A controller is not back before it shows what the rules have of it; what is left to
// do then is told with the step.
func TestTakeBackWantsWhatItShowed(t *testing.T) {
	b := host()
	at := b.Storage("ata-SPOOL_77")
	card := b.Identity("card", at)
	s := &step.TakeBack{Controller: card, Guest: "grading", Shown: guard.ShownBy(facts.NewIndex(&b.Survey), card)}
	require.NoError(t, s.Sound())
	assert.Equal(t, []step.Detail{{Head: "back", Text: "card is as it was once 0000:c0:00.0 has the driver ahci, 1 disk: ata-SPOOL_77"}}, s.Details())
	stands := func() (step.Standing, string) { return s.Stands(answered(b)) }
	standing, seen := stands()
	assert.Equal(t, step.After, standing)
	assert.Equal(t, "card is home", seen)
	blocks := b.Survey.Blocks
	b.Survey.Blocks = blocks[:len(blocks)-2]
	standing, seen = stands()
	assert.Equal(t, step.Neither, standing)
	assert.Equal(t, "card is home, but disk ata-SPOOL_77 of 0000:c0:00.0 of controller card has not appeared", seen)
	b.Function(at).Driver = ""
	standing, seen = stands()
	assert.Equal(t, step.Neither, standing)
	assert.Contains(t, seen, "has no driver, and had ahci before")
	b.Function(at).Driver = "mpt3sas"
	standing, seen = stands()
	assert.Equal(t, step.After, standing, "whoever changed the driver may have meant it")
	assert.Contains(t, seen, "has the driver mpt3sas, and had ahci before")
	aside := &step.SetAside{Controller: card, For: "reel", Shown: s.Shown}
	standing, _ = aside.Stands(answered(b))
	assert.Equal(t, step.Before, standing)
	b.Function(at).Driver = ""
	standing, seen = aside.Stands(answered(b))
	assert.Equal(t, step.Neither, standing, "an undo did not give it its driver back")
	assert.Contains(t, seen, "has no driver, and had ahci before")
	b.Function(at).Driver = "mpt3sas"
	s.Shown = nil
	standing, seen = stands()
	assert.Equal(t, step.After, standing)
	assert.Contains(t, seen, "whether 0000:c0:00.0 of controller card is as it was is not known")
	s.Shown = []guard.Shown{{Function: 1}}
	assert.ErrorContains(t, s.Sound(), "is none of its own")
}

// An undo writes driver_override again where it kept a function from other drivers.
func TestSetAsideKeepsOverrides(t *testing.T) {
	b := invented.NewBuilder()
	at := b.Card(b.NVMe("RL-4410-0073", "shelf"), "pci-stub")
	card, f := facts.Identity{Controller: "card", Address: at, Vendor: b.Function(at).Vendor, Device: b.Function(at).Device}, b.Function(at)
	kept := func(driver, override string) []step.Kept {
		f.Driver, f.DriverOverride = driver, override
		return step.KeptOf(f)
	}
	assert.Empty(t, kept("pci-stub", ""), "any driver may have it")
	assert.Empty(t, kept("vfio-pci", "vfio-pci"), "it is away")
	assert.Empty(t, kept("", "two\nlines"), "the kernel takes the first alone")
	assert.Equal(t, []step.Kept{{At: at, Override: "none"}}, kept("", "none"))
	for override, driver := range map[string]string{"vfio-pci": "", "pci-stub": "e1000e"} { // written, and not in force yet
		lost := (&step.SetAside{Controller: card, For: "reel", Kept: kept(driver, override)}).About()
		assert.Equal(t, []facts.Address{at}, lost.Loses)
		assert.Contains(t, lost.Undoes, "the driver_override of "+at.String()+" ("+override+") is gone then")
	}
	s := &step.SetAside{Controller: card, For: "reel", Kept: kept("pci-stub", "pci-stub")}
	require.Equal(t, []step.Kept{{At: at, Driver: "pci-stub", Override: "pci-stub"}}, s.Kept)
	require.NoError(t, s.Sound())
	assert.Empty(t, s.About().Loses)
	start := &step.StartGuest{Guest: "grading", Kept: s.Kept}
	assert.Equal(t, []facts.Address{at}, start.About().Loses, "libvirt clears it")
	assert.Equal(t, []step.Detail{{Head: "back", Text: at.String() + " gets its driver_override again, pci-stub"}}, s.Details())

	host := memory.New(b.Survey, nil)
	before, err := host.Survey(t.Context())
	require.NoError(t, err)
	require.NoError(t, s.Do(t.Context(), host.Ports()))
	away, err := host.Survey(t.Context())
	require.NoError(t, err)
	standing, _ := s.Stands(facts.NewIndex(&away))
	assert.Equal(t, step.After, standing)
	require.NoError(t, s.Undo(t.Context(), host.Ports()))
	back, err := host.Survey(t.Context())
	require.NoError(t, err)
	assert.Empty(t, facts.Differences(before, back))
	standing, _ = s.Stands(facts.NewIndex(&back))
	assert.Equal(t, step.Before, standing)
	f.Driver = ""
	standing, seen := s.Stands(facts.NewIndex(&b.Survey))
	assert.Equal(t, step.Neither, standing, "an undo was cut off before it had its driver")
	assert.Contains(t, seen, "has no driver, and had pci-stub before")
	b.Guest("grading", "/srv/images/grading.qcow2")
	_, seen = start.Stands(facts.NewIndex(&b.Survey))
	assert.Equal(t, "grading is shut off", seen)
	b.Function(at).DriverOverride = ""
	standing, _ = s.Stands(facts.NewIndex(&b.Survey))
	assert.Equal(t, step.Before, standing, "the host was started since")
	_, seen = start.Stands(facts.NewIndex(&b.Survey))
	assert.Equal(t, "grading is shut off; "+at.String()+" has no driver_override pci-stub any more", seen)

	for why, kept := range map[string][]step.Kept{
		"no function of card":       {{At: facts.Address{Bus: 9}, Override: "none"}},
		`"none", or is there twice`: {{At: at, Override: "none"}, {At: at, Override: "none"}},
		`"a\nb"`:                    {{At: at, Override: "a\nb"}},
	} {
		s.Kept = kept
		assert.ErrorContains(t, s.Sound(), why)
		if why != "no function of card" {
			assert.ErrorContains(t, (&step.StartGuest{Guest: "grading", Kept: kept}).Sound(), why)
		}
	}
}
