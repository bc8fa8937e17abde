package drive

import (
	"bytes"
	"context"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"lendkeep/providers/formats/table"
	"lendkeep/providers/mounting"
	"lendkeep/reconcile/facts"
	"lendkeep/testdata/outside"
)

// secret is what must never come into an image: it fills the host's partition and
// everything between partitions.
const secret = "the disk of another guest; "

// shared is a drive with a system in two partitions, one of which ends in the middle
// of a grain, and the host's partition between them.
func shared(d facts.Drive) (whole facts.Table, carried []facts.Entry) {
	last := d.SizeBytes/512 - 1
	entry := func(number int, first, last uint64, name string) facts.Entry {
		return facts.Entry{Number: number, First: first, Last: last, Name: name, Type: "0fc63daf-8483-4772-8e79-3d69d8477de4",
			ID: "00000000-0000-4000-8000-00000000000" + string(rune('0'+number))}
	}
	whole = facts.Table{Kind: "gpt", ID: "0fc63daf-8483-4772-8e79-3d69d8477d00", FirstUsable: 34, LastUsable: last - 33, BackupAt: last,
		Primary: facts.Sound, Backup: facts.Sound, Entries: []facts.Entry{
			entry(1, 2048, 2048+1001, "start"), entry(2, 30<<11, 40<<11-1, "shelf"), entry(3, 12<<11, 28<<11-3, "system")}}
	return whole, []facts.Entry{whole.Entries[0], whole.Entries[2]}
}

// given is a drive of that kind, an image to be made of it, and what that must hold.
type given struct {
	drives Drives
	drive  facts.Drive
	node   string
	table  facts.Table
	made   facts.NewImage
}

const givenBytes = 48 << 20

func give(t *testing.T, drives Drives, d facts.Drive, node, format string) given {
	g := given{drives: drives, drive: d, node: node}
	fill(t, node, 0, bytes.Repeat([]byte(secret), givenBytes/len(secret)))
	fill(t, node, 0, make([]byte, 1<<20))
	fill(t, node, givenBytes-1<<20, make([]byte, 1<<20))
	var carried []facts.Entry
	g.table, carried = shared(d)
	file, err := os.OpenFile(node, os.O_RDWR, 0)
	require.NoError(t, err)
	require.NoError(t, table.Write(file, d.SizeBytes, 512, nil, &g.table))
	require.NoError(t, file.Close())
	fill(t, node, 100, []byte("boot code"))
	fill(t, node, 1<<20, bytes.Repeat([]byte("start"), 1002*512/5))
	fill(t, node, 12<<20, make([]byte, 16<<20-1024)) // mostly holes
	fill(t, node, 13<<20+100, bytes.Repeat([]byte("system"), 100000))
	fill(t, node, 28<<20-1024-6, []byte("at end"))
	g.made, err = facts.ImageOf(filepath.Join(t.TempDir(), "back.img"), format, g.table, carried)
	require.NoError(t, err)
	return g
}

// want is the disk that the image must be.
func (g given) want(t *testing.T) []byte {
	content := make([]byte, g.made.SizeBytes)
	from := wholeOf(t, g.node)
	for _, e := range g.made.Table.Entries {
		copy(content[e.First*512:(e.Last+1)*512], from[e.First*512:])
	}
	return content
}

func (g given) make(ctx context.Context) error {
	return g.drives.MakeImage(ctx, g.drive, g.table, g.made, "order.1")
}

// whole asserts that the image is there as it must be, by other programs too.
func (g given) whole(t *testing.T) {
	raw := g.made.Path
	if g.made.Format == "qcow2" {
		if _, err := exec.LookPath("qemu-img"); err != nil {
			outside.Missing(t, "qemu-img (Debian: qemu-utils) is not installed")
		}
		said, err := exec.Command("qemu-img", "check", "-f", "qcow2", g.made.Path).CombinedOutput()
		require.NoError(t, err, "%s", said)
		assert.Contains(t, string(said), "No errors were found")
		raw = filepath.Join(t.TempDir(), "raw")
		said, err = exec.Command("qemu-img", "convert", "-f", "qcow2", "-O", "raw", g.made.Path, raw).CombinedOutput()
		require.NoError(t, err, "%s", said)
	}
	got, want := wholeOf(t, raw), g.want(t)
	require.Len(t, got, len(want))
	require.True(t, bytes.Equal(want[frontBytes:len(want)-backBytes], got[frontBytes:len(want)-backBytes]), "the partitions are those of the drive, the rest zeroes")
	assert.Equal(t, "boot code", string(got[100:109]))
	file := wholeOf(t, g.made.Path)
	assert.NotContains(t, string(file), secret[:12])
	held, err := os.Open(raw)
	require.NoError(t, err)
	defer held.Close()
	seen, err := table.Read(held, g.made.SizeBytes, 512)
	require.NoError(t, err)
	assert.Equal(t, &g.made.Table, seen)
	if sgdisk, err := exec.LookPath("sgdisk"); err == nil {
		said, err := exec.Command(sgdisk, "-v", raw).CombinedOutput()
		require.NoError(t, err, "%s", said)
		assert.Contains(t, string(said), "No problems found")
	}
	var stat unix.Stat_t
	require.NoError(t, unix.Stat(g.made.Path, &stat))
	assert.Equal(t, uint32(0o600), stat.Mode&0o777)
	assert.Less(t, stat.Blocks*512, int64(5<<20), "holes are kept: 1.5 MiB are no zeroes")
	assert.NoFileExists(t, facts.PartOf(g.made.Path))
	room := g.room()
	assert.Equal(t, facts.Room{Path: g.made.Path, FreeBytes: room.FreeBytes, From: g.drive.Serial}, room)
}

func (g given) room() facts.Room {
	var s facts.Survey
	g.drives.Rooms(&s, []string{g.made.Path})
	return s.Rooms[0]
}

// eachFormat runs a test for both formats on a file that stands in for a drive.
func eachFormat(t *testing.T, test func(t *testing.T, g given)) {
	for _, format := range []string{"raw", "qcow2"} {
		t.Run(format, func(t *testing.T) {
			if _, err := exec.LookPath("qemu-img"); err != nil && format == "qcow2" {
				outside.Missing(t, "qemu-img (Debian: qemu-utils) is not installed")
			}
			drives, d, node := standIn(t, givenBytes, 512)
			test(t, give(t, drives, d, node, format))
		})
	}
}

func TestMakeImage(t *testing.T) {
	eachFormat(t, func(t *testing.T, g given) {
		before := wholeOf(t, g.node)
		room := g.room()
		assert.Positive(t, room.FreeBytes)
		assert.Equal(t, facts.Room{Path: g.made.Path, FreeBytes: room.FreeBytes}, room)
		require.NoError(t, g.make(t.Context()))
		g.whole(t)
		require.NoError(t, g.make(t.Context()), "called again")
		g.whole(t)
		assert.True(t, bytes.Equal(before, wholeOf(t, g.node)), "the drive is only read")
		require.NoError(t, g.drives.RemoveImage(t.Context(), g.made, "order.1"))
		assert.NoFileExists(t, g.made.Path)
		assert.Empty(t, g.room().From)
		require.NoError(t, g.drives.RemoveImage(t.Context(), g.made, "order.1"), "called again")
		names, err := os.ReadDir(g.drives.Folder)
		require.NoError(t, err)
		assert.Empty(t, names)
	})
}

// Cut off at any moment there is no file of that name; going on makes it whole, as
// the drive is by then.
func TestMakeImageCutOff(t *testing.T) {
	eachFormat(t, func(t *testing.T, g given) {
		for number := 1; ; number++ {
			ctx, cancel := context.WithCancel(t.Context())
			calls := 0
			g.drives.Watch = func(string, uint64, uint64) {
				if calls++; calls == number {
					cancel()
				}
			}
			err := g.make(ctx)
			cancel()
			if err == nil {
				require.Greater(t, number, 5)
				break
			}
			require.ErrorIs(t, err, context.Canceled)
			require.NoFileExists(t, g.made.Path)
			require.True(t, g.room().Unfinished)
			if number%3 == 1 { // its guest has run meanwhile
				fill(t, g.node, 14<<20+int64(number), []byte{byte(number)})
			}
			g.drives.Watch = nil
			if number%2 == 0 {
				require.NoError(t, g.drives.RemoveImage(t.Context(), g.made, "order.1"))
				require.NoFileExists(t, facts.PartOf(g.made.Path))
				continue
			}
			require.NoError(t, g.make(t.Context()))
			g.whole(t)
			require.NoError(t, g.drives.RemoveImage(t.Context(), g.made, "order.1"))
		}
	})
}

// A cut-off before the file was noted, or before it had its tables, is gone on with.
func TestMakeImageCutOffEarly(t *testing.T) {
	eachFormat(t, func(t *testing.T, g given) {
		require.NoError(t, os.WriteFile(facts.PartOf(g.made.Path), nil, 0o600))
		require.True(t, g.room().Unfinished)
		require.NoError(t, g.make(t.Context()))
		g.whole(t)
		require.NoError(t, g.drives.RemoveImage(t.Context(), g.made, "order.1"))

		require.NoError(t, os.WriteFile(facts.PartOf(g.made.Path), nil, 0o600))
		require.NoError(t, g.drives.RemoveImage(t.Context(), g.made, "order.1"))
		require.NoFileExists(t, facts.PartOf(g.made.Path))

		file, err := os.Create(facts.PartOf(g.made.Path))
		require.NoError(t, err)
		now, err := lookAtOpen(file)
		require.NoError(t, err)
		_, err = file.WriteString("half of a header")
		require.NoError(t, err)
		require.NoError(t, file.Chmod(0o600))
		require.NoError(t, file.Close())
		require.NoError(t, g.drives.note("order.1", makingNote{Path: g.made.Path, Serial: g.drive.Serial, File: now.born}))
		require.NoError(t, g.make(t.Context()))
		g.whole(t)
	})
}

// What somebody else has put there stays, whatever it looks like.
func TestMakeImageLeavesOthers(t *testing.T) {
	eachFormat(t, func(t *testing.T, g given) {
		stays := func(path string, deed func() error) {
			t.Helper()
			require.NoError(t, os.WriteFile(path, []byte("mine"), 0o600))
			require.ErrorContains(t, deed(), "did not make; it stays")
			require.Equal(t, "mine", string(wholeOf(t, path)))
			require.NoError(t, os.Remove(path))
		}
		remove := func() error { return g.drives.RemoveImage(t.Context(), g.made, "order.1") }
		again := func() error { return g.make(t.Context()) }
		stays(g.made.Path, again)
		stays(g.made.Path, remove)
		stays(facts.PartOf(g.made.Path), again)
		stays(facts.PartOf(g.made.Path), remove)

		other := filepath.Join(t.TempDir(), "other")
		require.NoError(t, os.WriteFile(other, []byte("mine"), 0o600))
		for _, path := range []string{g.made.Path, facts.PartOf(g.made.Path)} {
			require.NoError(t, os.Symlink(other, path))
			require.ErrorContains(t, again(), "did not make; it stays")
			require.ErrorContains(t, remove(), "did not make; it stays")
			require.Equal(t, "mine", string(wholeOf(t, other)))
			require.NoError(t, os.Remove(path))
		}

		require.NoError(t, again())
		require.NoError(t, os.Rename(g.made.Path, g.made.Path+".moved"))
		stays(g.made.Path, remove)
		stays(g.made.Path, again)
		require.NoError(t, os.Rename(g.made.Path+".moved", g.made.Path))

		fill(t, g.made.Path, 0, wholeOf(t, g.made.Path)[:1])
		require.ErrorContains(t, remove(), "was written since it was made")
		assert.FileExists(t, g.made.Path)
		assert.Equal(t, g.drive.Serial, g.room().From, "it is still the one that was made")
	})
}

func TestMakeImageRefuses(t *testing.T) {
	eachFormat(t, func(t *testing.T, g given) {
		other := g
		other.table.ID = "1fc63daf-8483-4772-8e79-3d69d8477d00"
		other.made.Table.ID = other.table.ID
		assert.ErrorContains(t, other.make(t.Context()), "not the one that the order was written for")
		other = g
		other.made.Table.Entries = append(other.made.Table.Entries[:1:1], facts.Entry{Number: 2, First: 30 << 11, Last: 40<<11 - 1})
		assert.ErrorContains(t, other.make(t.Context()), "partition 2 is none of the drive's")
		other = g
		other.made.SizeBytes += 1 << 20
		assert.ErrorContains(t, other.make(t.Context()), "not what comes of the drive's")
		other = g
		other.made.Path = filepath.Join(t.TempDir(), "absent", "back.img")
		assert.ErrorIs(t, other.make(t.Context()), fs.ErrNotExist)
		assert.NotEmpty(t, other.room().Gap)
		names, err := os.ReadDir(filepath.Dir(g.made.Path))
		require.NoError(t, err)
		assert.Empty(t, names)
	})
}

// The host's partition stays mounted meanwhile; one that goes must be nobody's.
func TestMakeImageBesideAMount(t *testing.T) {
	needMakers(t)
	outside.Namespace(t, func(t *testing.T, dir string) {
		drives, d, node := loop(t, givenBytes, 512)
		g := give(t, drives, d, node, "raw")
		partx(t, node)
		for _, part := range []string{"p2", "p3"} {
			said, err := exec.Command("mkfs.ext4", "-q", "-F", node+part).CombinedOutput()
			require.NoError(t, err, "%s", said)
		}
		require.NoError(t, mounting.Programs{}.Mount(t.Context(), node+"p2", "ext4", dir, nil))
		require.NoError(t, g.make(t.Context()))
		got := wholeOf(t, g.made.Path)
		assert.Equal(t, g.want(t)[1<<20:28<<20], got[1<<20:28<<20])
		require.NoError(t, g.drives.RemoveImage(t.Context(), g.made, "order.1"))
		require.NoError(t, mounting.Programs{}.Unmount(t.Context(), dir))

		require.NoError(t, mounting.Programs{}.Mount(t.Context(), node+"p3", "ext4", dir, nil))
		assert.ErrorContains(t, g.make(t.Context()), "it is in use: partition")
		require.NoError(t, mounting.Programs{}.Unmount(t.Context(), dir))
		assert.NoFileExists(t, facts.PartOf(g.made.Path))

		file, err := os.Open(node + "p1")
		require.NoError(t, err)
		defer file.Close()
		assert.ErrorContains(t, g.make(t.Context()), "open in")
	})
}
