package drive

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/drive/content"
	"lendkeep/providers/drive/system"
	"lendkeep/providers/formats/table"
	"lendkeep/providers/mounting"
	"lendkeep/reconcile/facts"
	"lendkeep/spec"
	"lendkeep/testdata/outside"
)

const driveBytes = 700 << 20

// standIn gives a regular file as a drive.
func standIn(t *testing.T, bytes int64, sector uint64) (Drives, facts.Drive, string) {
	path := filepath.Join(t.TempDir(), "drive")
	require.NoError(t, os.WriteFile(path, nil, 0o600))
	require.NoError(t, os.Truncate(path, bytes))
	find := func(facts.Drive) (Device, error) { return Device{Name: "drive", Node: path, SectorBytes: sector}, nil }
	return Drives{Folder: t.TempDir(), Find: find, Openers: visibleOpeners, Systems: system.Look},
		facts.Drive{Controller: "reel", Serial: serial, Namespace: 1, SizeBytes: uint64(bytes), SectorBytes: sector}, path
}

// shelf is a table with one partition that begins behind others.
func shelf(d facts.Drive) *facts.Table {
	reserve := 16384 / d.SectorBytes
	last := d.SizeBytes/d.SectorBytes - 1
	return &facts.Table{Kind: "gpt", ID: "0fc63daf-8483-4772-8e79-3d69d8477de4", FirstUsable: 2 + reserve, LastUsable: last - reserve - 1, BackupAt: last,
		Primary: facts.Sound, Backup: facts.Sound,
		Entries: []facts.Entry{{Number: 2, First: 2 << 20 / d.SectorBytes, Last: last - reserve - 1, Name: "shelf",
			ID: "2fc63daf-8483-4772-8e79-3d69d8477de4", Type: "0fc63daf-8483-4772-8e79-3d69d8477de4"}}}
}

func read(t *testing.T, path string, d facts.Drive) facts.Content {
	file, err := os.Open(path)
	require.NoError(t, err)
	defer file.Close()
	return content.Read(file, "drive", d.SizeBytes, d.SectorBytes, false)
}

func bare(t *testing.T, path string, d facts.Drive) bool {
	c := read(t, path, d)
	return c.Bare()
}

func fill(t *testing.T, path string, at int64, b []byte) {
	file, err := os.OpenFile(path, os.O_RDWR, 0)
	require.NoError(t, err)
	_, err = file.WriteAt(b, at)
	require.NoError(t, err)
	require.NoError(t, file.Close())
}

// wholeOf gives the bytes of a small drive.
func wholeOf(t *testing.T, path string) []byte {
	b, err := os.ReadFile(path)
	require.NoError(t, err)
	return b
}

func TestClearAndPutBack(t *testing.T) {
	for _, sector := range []uint64{512, 4096} {
		drives, d, path := standIn(t, 16<<20, sector)
		fill(t, path, 0, bytes.Repeat([]byte("full"), 4<<20))
		short := shelf(facts.Drive{SizeBytes: 8 << 20, SectorBytes: sector}) // as an image's table on a larger drive
		fill(t, path, 0, make([]byte, 1<<20))
		file, err := os.OpenFile(path, os.O_RDWR, 0)
		require.NoError(t, err)
		fill(t, path, 15<<20, make([]byte, 1<<20))
		require.NoError(t, table.Write(file, d.SizeBytes, sector, nil, short))
		require.NoError(t, file.Close())
		fill(t, path, 15<<20, bytes.Repeat([]byte("full"), 1<<18))
		before := wholeOf(t, path)

		require.NoError(t, drives.PutBack(t.Context(), d, "order.1"), "nothing is kept yet")
		require.Equal(t, before, wholeOf(t, path))
		require.NoError(t, drives.Clear(t.Context(), d, "order.1"))
		assert.True(t, bare(t, path, d))
		cleared := wholeOf(t, path)
		assert.NotContains(t, string(cleared), "EFI PART", "the backup in the middle is gone too")
		assert.Equal(t, before[1<<20:7<<20], cleared[1<<20:7<<20])

		require.NoError(t, drives.Clear(t.Context(), d, "order.1"), "called again")
		require.NoError(t, drives.PutBack(t.Context(), d, "order.1"))
		assert.Equal(t, before, wholeOf(t, path), "nothing was kept anew")

		fill(t, path, 100, []byte("written since"))
		require.ErrorContains(t, drives.Clear(t.Context(), d, "order.1"), "something else was written at byte 0")
	}
}

// What marks the drive as a whole goes, wherever it is, and comes back.
func TestClearTakesEveryMark(t *testing.T) {
	marks := map[string]func(path string){
		"VMFS, behind the first MiB": func(path string) { fill(t, path, 1<<20, []byte("\x0d\xd0\x01\xc0")) },
		"a second header of LUKS": func(path string) {
			header := make([]byte, 512)
			copy(header, "SKUL\xba\xbe\x00\x02")
			header[256+5] = 0x40 // at 4 MiB
			fill(t, path, 4<<20, header)
		},
	}
	for name, tail := range tails {
		marks[name] = func(path string) { fill(t, path, 64<<20-tail.fromEnd, []byte(tail.content)) }
	}
	for name, mark := range marks {
		t.Run(name, func(t *testing.T) {
			drives, d, path := standIn(t, 64<<20, 512)
			require.NoError(t, drives.WriteTable(t.Context(), d, nil, shelf(facts.Drive{SizeBytes: 60 << 20, SectorBytes: 512}), "a"))
			mark(path)
			c := read(t, path, d)
			require.NotNil(t, c.Signature)
			before := wholeOf(t, path)
			after := shelf(d)
			require.ErrorContains(t, drives.WriteTable(t.Context(), d, c.Table, after, "a"), c.Signature.Kind)
			require.True(t, bytes.Equal(before, wholeOf(t, path)), "nothing was written")

			require.NoError(t, drives.Clear(t.Context(), d, "a"))
			assert.True(t, bare(t, path, d))
			seen := surveyed(t, path)
			assert.True(t, seen.Bare(), "%+v", seen)
			require.NoError(t, drives.PutBack(t.Context(), d, "a"))
			assert.True(t, bytes.Equal(before, wholeOf(t, path)))
		})
	}
}

func TestKeptIsReadStrictly(t *testing.T) {
	drives, d, path := standIn(t, 3<<20, 512)
	require.NoError(t, drives.Clear(t.Context(), d, "a"))
	kept := filepath.Join(drives.Folder, "a.ends")
	good := wholeOf(t, kept)
	for _, at := range []int{0, 20, 200, len(good) / 2, len(good) - 1} {
		bad := bytes.Clone(good)
		bad[at] ^= 1
		require.NoError(t, os.WriteFile(kept, bad, 0o600))
		assert.Error(t, drives.Clear(t.Context(), d, "a"), at)
		assert.Error(t, drives.PutBack(t.Context(), d, "a"), at)
	}
	require.NoError(t, os.WriteFile(kept, good[:len(good)-1], 0o600))
	assert.ErrorContains(t, drives.PutBack(t.Context(), d, "a"), "checksum is wrong")
	require.NoError(t, os.WriteFile(kept, good, 0o600))
	other := d
	other.Serial = "RL-4410-0074"
	assert.ErrorContains(t, drives.PutBack(t.Context(), other, "a"), "of drive RL-4410-0073")
	for _, name := range []string{"", ".", "../a", "a/b"} {
		assert.Error(t, drives.Clear(t.Context(), d, name))
	}
	assert.True(t, bare(t, path, d))
}

func FuzzDecodeKept(f *testing.F) {
	d := facts.Drive{Serial: serial, Namespace: 1, SizeBytes: 4096, SectorBytes: 512}
	f.Add(encodeKept(d, []piece{{0, []byte("front")}, {4000, []byte("end")}}))
	f.Fuzz(func(t *testing.T, b []byte) {
		if list, err := decodeKept(b, d); err == nil {
			again, err := decodeKept(encodeKept(d, list), d)
			require.NoError(t, err)
			require.Equal(t, list, again)
		}
	})
}

func TestEmpty(t *testing.T) {
	for name, make := range map[string]func(*testing.T, int64, uint64) (Drives, facts.Drive, string){"file": standIn, "loop": loop} {
		t.Run(name, func(t *testing.T) {
			drives, d, path := make(t, 16<<20, 4096)
			fill(t, path, 0, bytes.Repeat([]byte("full"), 4<<20))
			record := filepath.Join(drives.Folder, "a.copy")
			require.NoError(t, os.WriteFile(record, nil, 0o600))
			require.NoError(t, drives.Empty(t.Context(), d, 5<<20+1, "a"))
			assert.NoFileExists(t, record, "nobody goes on with the copy")
			got := wholeOf(t, path)
			assert.Empty(t, bytes.Trim(got[:5<<20+4096], "\x00"))
			assert.Equal(t, bytes.Repeat([]byte("full"), (10<<20-4096)/4), got[5<<20+4096:15<<20])
			assert.Empty(t, bytes.Trim(got[15<<20:], "\x00"))
			require.NoError(t, drives.Empty(t.Context(), d, 1<<40, "a"), "more than there is")
			assert.Empty(t, bytes.Trim(wholeOf(t, path), "\x00"))
		})
	}
}

func TestWriteTableOnDevice(t *testing.T) {
	drives, d, node := loop(t, 64<<20, 512)
	want := shelf(d)
	require.NoError(t, drives.WriteTable(t.Context(), d, nil, want, "a"))
	assert.Equal(t, want, read(t, node, d).Table)
	other := shelf(d)
	other.ID = "1fc63daf-8483-4772-8e79-3d69d8477de4"
	assert.ErrorContains(t, drives.WriteTable(t.Context(), d, other, nil, "a"), "neither the old nor the new")
	require.NoError(t, drives.WriteTable(t.Context(), d, want, nil, "a"))
	assert.True(t, bare(t, node, d))
}

// makers' programs, and partx for kernels that read no tables themselves.
func needMakers(t *testing.T) {
	for _, program := range []string{"mkfs.xfs", "mkfs.ext4", "partx", "xfs_repair", "e2fsck"} {
		if _, err := exec.LookPath(program); err != nil {
			outside.Missing(t, program+" is not here")
		}
	}
}

// What is said to be the smallest partition of a filesystem, its program takes, and of
// XFS nothing smaller (xfsprogs, e2fsprogs).
func TestLeastFilesystem(t *testing.T) {
	needMakers(t)
	made := func(kind string, bytes uint64) error {
		file := filepath.Join(t.TempDir(), kind)
		require.NoError(t, os.WriteFile(file, nil, 0o600))
		require.NoError(t, os.Truncate(file, int64(bytes)))
		return exec.Command("mkfs."+kind, "-q", file).Run()
	}
	for _, kind := range spec.Filesystems() {
		assert.NoError(t, made(kind, facts.NewFilesystem{Kind: kind}.LeastBytes()), kind)
	}
	assert.Error(t, made("xfs", facts.NewFilesystem{Kind: "xfs"}.LeastBytes()-4096))
}

func TestMakeFilesystem(t *testing.T) {
	needMakers(t)
	for _, c := range []struct {
		kind, label, shown string
		check              []string
	}{
		{"xfs", "reel-shelf-größer", "reel-shelf-g", []string{"xfs_repair", "-n"}},
		{"ext4", "reel-shelf-größer", "reel-shelf-grö", []string{"e2fsck", "-f", "-n"}},
	} {
		for _, sector := range []uint64{512, 4096} {
			t.Run(c.kind, func(t *testing.T) {
				drives, d, node := loop(t, driveBytes, sector)
				want := shelf(d)
				require.NoError(t, drives.WriteTable(t.Context(), d, nil, want, "a"))
				partx(t, node)
				on, made := want.Entries[0], facts.NewFilesystem{Kind: c.kind, UUID: "7c3f1a52-9a0e-4c6e-8f0a-5c1f2f0e7a11", Label: c.label}
				require.NoError(t, drives.MakeFilesystem(t.Context(), d, on, made, false))
				v := read(t, node, d).Volumes[0]
				assert.Equal(t, &facts.Signature{Kind: c.kind, Usage: "filesystem", UUID: made.UUID, Label: c.shown}, v.Signature)
				assert.Equal(t, facts.Clean, v.Condition, v.Why)
				said, err := exec.Command(c.check[0], append(c.check[1:], node+"p2")...).CombinedOutput()
				assert.NoError(t, err, "%s", said)

				require.NoError(t, drives.MakeFilesystem(t.Context(), d, on, made, false), "it is there already")
				next := made
				next.UUID = "8c3f1a52-9a0e-4c6e-8f0a-5c1f2f0e7a11"
				assert.ErrorContains(t, drives.MakeFilesystem(t.Context(), d, on, next, false), "holds something else")
				assert.ErrorContains(t, drives.ClearFilesystem(t.Context(), d, on, next), "another filesystem, which stays")
				require.NoError(t, drives.MakeFilesystem(t.Context(), d, on, next, true))
				assert.Equal(t, next.UUID, read(t, node, d).Volumes[0].Signature.UUID)

				// A member by what stands at its end: refused, and gone with over.
				fill(t, node, int64((on.Last+1)*d.SectorBytes)-4096, []byte(zeroes(60)+"\x83\x74\x02\x6b"))
				assert.ErrorContains(t, drives.MakeFilesystem(t.Context(), d, on, next, false), "holds something else")
				require.NoError(t, drives.MakeFilesystem(t.Context(), d, on, next, true))
				assert.Equal(t, next.UUID, read(t, node, d).Volumes[0].Signature.UUID)

				wrong := on
				wrong.Last--
				assert.ErrorContains(t, drives.MakeFilesystem(t.Context(), d, wrong, next, true), "no partition 2")
				require.NoError(t, exec.Command("partx", "--delete", node).Run())
				require.NoError(t, drives.ClearFilesystem(t.Context(), d, on, next))
				assert.Nil(t, read(t, node, d).Volumes[0].Signature)
				require.NoError(t, drives.ClearFilesystem(t.Context(), d, on, next), "it is gone")
			})
		}
	}
}

// partx has the kernel show the partitions, where it reads no tables itself: as
// the settled drive has none there, it is told of them.
func partx(t *testing.T, node string) {
	if said, err := exec.Command("partx", "--add", node).CombinedOutput(); err != nil && !strings.Contains(string(said), "already") {
		list, _ := partitions("/", filepath.Base(node))
		require.NotEmpty(t, list, "%s", said)
	}
}

func TestShortened(t *testing.T) {
	assert.Equal(t, "größ", shortened("größer", 6))
	assert.Equal(t, "gr", shortened("größer", 3))
	assert.Equal(t, "", shortened("ö", 1))
}

// While a partition is mounted nothing is done to its drive.
func TestMountedDriveIsRefused(t *testing.T) {
	needMakers(t)
	outside.Namespace(t, func(t *testing.T, dir string) {
		drives, d, node := loop(t, driveBytes, 512)
		want := shelf(d)
		require.NoError(t, drives.WriteTable(t.Context(), d, nil, want, "a"))
		partx(t, node)
		on, made := want.Entries[0], facts.NewFilesystem{Kind: "ext4", UUID: "7c3f1a52-9a0e-4c6e-8f0a-5c1f2f0e7a11"}
		require.NoError(t, drives.MakeFilesystem(t.Context(), d, on, made, false))
		require.NoError(t, mounting.Programs{}.Mount(t.Context(), node+"p2", "ext4", dir, nil))
		for what, deed := range map[string]func() error{
			"clear":            func() error { return drives.Clear(soon(t), d, "a") },
			"empty":            func() error { return drives.Empty(soon(t), d, 1, "a") },
			"table":            func() error { return drives.WriteTable(soon(t), d, want, nil, "a") },
			"filesystem":       func() error { return drives.MakeFilesystem(soon(t), d, on, made, true) },
			"clear filesystem": func() error { return drives.ClearFilesystem(soon(t), d, on, made) },
		} {
			assert.ErrorContains(t, deed(), "it is in use: something of it is mounted", what)
		}
		require.NoError(t, mounting.Programs{}.Unmount(t.Context(), dir))
		require.NoError(t, drives.ClearFilesystem(t.Context(), d, on, made))
	})
}
