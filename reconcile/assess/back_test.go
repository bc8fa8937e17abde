package assess_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/assess"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/invented"
	"lendkeep/spec"
)

const backImage = "/srv/images/back.qcow2"

// givenUp makes the bench one whose system goes back from its drive to an image,
// while the shelf on the same drive is mounted and holds a guest's disk.
func givenUp(b *bench) {
	b.Look("nvme0n1")
	b.Room(backImage, 1<<40)
	b.layout.Guests[0] = invented.Guest("grading")
	b.layout.Guests[0].Disks = []spec.Disk{invented.Back("reel", backImage)}
}

func (b *bench) room() *facts.Room { return &b.Survey.Rooms[0] }

func (b *bench) backs() []assess.Back {
	return assess.NewCase(b.layout, facts.NewIndex(&b.Survey), b.layout.Shift(b.shift)).Backs()
}

func init() {
	for name, c := range map[string]struct {
		change   func(*bench)
		severity assess.Severity
		tells    string
	}{
		"what goes":               {func(*bench) {}, assess.Caution, "partition 1 start"},
		"how it starts":           {func(*bench) {}, assess.Caution, `bus = "sata"`},
		"nobody looked":           {func(b *bench) { b.Survey.Rooms = nil }, assess.Stop, "nobody looked"},
		"its folder is not there": {func(b *bench) { b.room().Gap = "no such folder" }, assess.Stop, "no such folder"},
		"a file is there":         {func(b *bench) { b.path(backImage).Missing = false }, assess.Stop, "Nothing is written over it"},
		"the image of another drive is there": {func(b *bench) {
			b.path(backImage).Missing = false
			b.room().From = "RL-4410-0088"
		}, assess.Stop, "Nothing is written over it"},
		"the image of an order that was rolled back is there": {func(b *bench) {
			b.path(backImage).Missing = false
			b.room().From = "RL-4410-0073"
		}, assess.Stop, "may have gone on on the drive since"},
		"an unfinished copy": {func(b *bench) { b.room().Unfinished = true }, assess.Stop, backImage + ".lendkeep-part"},
		"no room":            {func(b *bench) { b.room().FreeBytes = 64 << 20 }, assess.Stop, "up to 68.0 MiB"},
		"half a copy":        {func(b *bench) { b.content("nvme0n1").Unfinished = "k" }, assess.Stop, "no whole system"},
		"no table":           {func(b *bench) { b.content("nvme0n1").Table = nil }, assess.Stop, "no partition table"},
		"an MBR":             {func(b *bench) { b.content("nvme0n1").Table.Kind = "dos" }, assess.Stop, "no sound GPT"},
		"a damaged GPT":      {func(b *bench) { b.content("nvme0n1").Table.Backup = facts.Damaged }, assess.Stop, "no sound GPT"},
		"an array":           {func(b *bench) { b.content("nvme0n1").Signature = &facts.Signature{Kind: "ddf_raid_member"} }, assess.Stop, "marked as a whole"},
		"not read":           {func(b *bench) { b.content("nvme0n1").Gaps = []facts.Gap{{Fact: "table", Reason: "EIO"}} }, assess.Stop, "EIO"},
		"other sectors": {func(b *bench) {
			b.Function(b.reel).NVMe.Namespaces[0].SectorBytes = 4096
		}, assess.Stop, "sectors of 4096"},
		"hibernated": {func(b *bench) { b.content("nvme0n1").Volumes[0].Condition = facts.Hibernated }, assess.Stop, "powercfg"},
		"dirty":      {func(b *bench) { b.content("nvme0n1").Volumes[0].Condition = facts.Dirty }, assess.Caution, "power cut"},
		"not known":  {func(b *bench) { b.content("nvme0n1").Volumes[0].Condition = facts.UnsureIfClean }, assess.Caution, "copied as it is"},
		"not looked into": {func(b *bench) {
			b.content("nvme0n1").Volumes[0].Gap = "encrypted"
		}, assess.Caution, "encrypted"},
		"mounted": {func(b *bench) { b.Mount("nvme0n1p1", "/mnt/x") }, assess.Stop, "mount /mnt/x"},
		"the shelf is not stated any more": {func(b *bench) {
			b.layout.Controllers[0] = invented.Controller("reel", "RL-4410-0073")
		}, assess.Stop, "state the partition in the drive block"},
		"a partition that is a disk of a guest that is off": {func(b *bench) {
			b.Device("catalogue", "<disk type='block' device='disk'><source dev='/dev/nvme0n1p1'/><target dev='vdz' bus='virtio'/></disk>")
		}, assess.Stop, "guest catalogue"},
		"on a mount that is away": {away, assess.Stop, "plan again when the mount is there"},
		"made before, on a mount that is away": {func(b *bench) {
			away(b)
			b.Device("grading", "<disk type='file'><driver name='qemu' type='qcow2'/><source file='/srv/attic/back.qcow2'/><target dev='vdy'/></disk>")
		}, assess.Note, "counts as made"},
		"by a link on the same drive": {func(b *bench) { b.path(backImage).Resolved = "/srv/shelf/back.qcow2" }, assess.Stop, "choose a path on another drive"},
		"nothing but the shelf": {func(b *bench) {
			b.content("nvme0n1").Table.Entries = b.content("nvme0n1").Table.Entries[1:]
		}, assess.Stop, "no partition is left"},
		"partitions to be made": {func(b *bench) {
			d := b.layout.Controllers[0].Drive
			d.Partitions = append(d.Partitions, spec.Partition{Name: "attic", SizeBytes: 1 << 20, At: d.At})
		}, assess.Stop, "an order of their own"},
		"lent": {func(b *bench) {
			b.Survey.Libvirt.Guests = b.Survey.Libvirt.Guests[1:]
			b.Builder.Guest("grading", "", b.Identity("reel", b.reel))
			b.Survey.Mounts = b.Survey.Mounts[:1]
			b.Run("grading")
		}, assess.Stop, "then plan again"},
		"gone":    {func(b *bench) { b.layout.Controllers[0].NVMe.Serial = "RL-1" }, assess.Stop, "controller-identity"},
		"it runs": {func(b *bench) { b.Run("grading") }, assess.Stop, "shut down guest grading"},
		"another boots from it": {func(b *bench) {
			b.layout.Guests = append(b.layout.Guests, invented.Guest("proofing", "reel"))
		}, assess.Caution, "guest proofing still boots"},
		"a twin": {func(b *bench) {
			b.System("/srv/images/old.qcow2").Table.ID = b.content("nvme0n1").Table.ID
		}, assess.Caution, "/srv/images/old.qcow2"},
		"made by lendkeep, and not stated": {func(b *bench) {
			b.Survey.Mounts = b.Survey.Mounts[:1]
			b.Survey.Libvirt.Guests = b.Survey.Libvirt.Guests[:1]
			b.layout.Guests = b.layout.Guests[:1]
			b.layout.Shifts = nil
			b.layout.Controllers[0] = invented.Controller("reel", "RL-4410-0073")
			hosts(b.content("nvme0n1").Table, 1)
		}, assess.Note, "lendkeep made it"},
	} {
		change := c.change
		cases["back to an image: "+name] = struct {
			change   func(*bench)
			check    string
			severity assess.Severity
			tells    string
		}{func(b *bench) { givenUp(b); change(b) }, "copy-from", c.severity, c.tells}
	}
}

// away has the image belong on a mount of another drive, which is not there.
func away(b *bench) {
	b.NVMe("RL-4410-0088", "attic")
	b.layout.Controllers = append(b.layout.Controllers, invented.Controller("tape", "RL-4410-0088", "attic", "/srv/attic"))
	b.layout.Guests[0].Disks[0].Image = "/srv/attic/back.qcow2"
}

func (b *bench) path(named string) *facts.Path {
	for i := range b.Survey.Paths {
		if b.Survey.Paths[i].Named == named {
			return &b.Survey.Paths[i]
		}
	}
	return nil
}

// hosts gives an entry the identity that lendkeep gives to one it makes: of a table of
// that identity on that drive, at that place.
func hosts(t *facts.Table, entry int) {
	b := newBench()
	b.Look("nvme0n1").Table.Entries = nil
	last := t.Entries[entry]
	drive := b.content("nvme0n1")
	drive.Table.ID = t.ID
	drive.Table.FirstUsable = last.First
	b.Survey.Mounts, b.Survey.Blocks = b.Survey.Mounts[:1], b.Survey.Blocks[:2]
	f := assess.NewCase(b.layout, facts.NewIndex(&b.Survey), nil).Filling("reel")
	t.Entries[entry].ID = f.After.Entry(last.Name).ID
}

// Only what is the system's own goes, at its place; the rest of the drive is told.
func TestWhatGoesBack(t *testing.T) {
	b := newBench()
	givenUp(b)
	backs := b.backs()
	require.Len(t, backs, 1)
	require.True(t, backs[0].Does)
	image := backs[0].Image
	require.Len(t, image.Table.Entries, 1)
	assert.Equal(t, "start", image.Table.Entries[0].Name)
	assert.Equal(t, uint64(131072+131072+2048)*512, image.SizeBytes, "it ends behind its last partition, with the table's backup")
	assert.Equal(t, image.SizeBytes/512-1, image.Table.BackupAt)
	assert.Equal(t, image.SizeBytes/512-34, image.Table.LastUsable)
	left := image.Left(backs[0].Table)
	require.Len(t, left, 1)
	assert.Equal(t, "shelf", left[0].Name)
	assert.False(t, assess.Stops(b.findings()), "%+v", b.findings())
}

// Several partitions of a stated name all stay out, and one that lendkeep made does
// whatever the layout says.
func TestWhatNeverGoesBack(t *testing.T) {
	b := newBench()
	givenUp(b)
	table := b.content("nvme0n1").Table
	third := table.Entries[1]
	third.Number, third.First, third.Last, third.ID = 3, third.Last+1, third.Last+2048, "00000000-0000-4000-8000-000000000003"
	table.Entries = append(table.Entries, third)
	assert.Len(t, b.backs()[0].Image.Left(*table), 2)

	b = newBench()
	givenUp(b)
	table = b.content("nvme0n1").Table
	hosts(table, 1)
	b.layout.Controllers[0] = invented.Controller("reel", "RL-4410-0073")
	b.Survey.Mounts = b.Survey.Mounts[:1]
	left := b.backs()[0].Image.Left(*table)
	require.Len(t, left, 1)
	assert.Equal(t, "shelf", left[0].Name)

	// A guest has renamed it, and called another one so.
	b = newBench()
	givenUp(b)
	table = b.content("nvme0n1").Table
	hosts(table, 1)
	table.Entries[0].Name, table.Entries[1].Name = "shelf", "other"
	third.Number, third.Name = 3, "system"
	table.Entries = append(table.Entries, third)
	for _, e := range b.backs()[0].Image.Table.Entries {
		assert.Equal(t, "system", e.Name)
	}
}

// Once lendkeep has made it of this drive and its guest has it nothing is left to do,
// wherever the drive is.
func TestGoneBack(t *testing.T) {
	b := newBench()
	givenUp(b)
	b.Device("grading", "<disk type='file'><driver name='qemu' type='qcow2'/><source file='"+backImage+"'/><target dev='vdy'/></disk>")
	b.path(backImage).Missing = false
	b.room().From = "RL-4410-0073"
	assert.False(t, b.backs()[0].Does)
	assert.False(t, assess.Stops(b.findings()))
	b.Survey.Mounts = b.Survey.Mounts[:1]
	b.Function(b.reel).NVMe.Serial = "RL-1"
	assert.False(t, b.backs()[0].Does)
	for _, f := range b.findings() {
		assert.NotEqual(t, "copy-from", f.Check)
	}
}
