package content

import (
	"bytes"
	"encoding/binary"
	"errors"
	"io"
	"os"
	"os/exec"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/facts"
	"lendkeep/testdata/outside"
)

const diskBytes = 400 << 20

// disk makes a disk with a system partition, an NTFS, a reserved partition, a
// part that is full of what nobody knows, and an XFS.
func disk(t *testing.T) *os.File {
	if _, err := exec.LookPath("sgdisk"); err != nil {
		outside.Missing(t, "sgdisk (gdisk) is not here")
	}
	path := blank(t, diskBytes)
	invoke(t, "sgdisk", "-n", "1:2048:+16M", "-t", "1:ef00", "-n", "2:0:+1M", "-t", "2:0c01", "-n", "3:0:+16M", "-t", "3:0700", "-n", "4:0:+1M", "-n", "5:0:0", path)
	file, err := os.OpenFile(path, os.O_RDWR, 0)
	require.NoError(t, err)
	t.Cleanup(func() { _ = file.Close() })
	put := func(name string, at int64) {
		b, err := os.ReadFile(made(t, name))
		require.NoError(t, err)
		_, err = file.WriteAt(b, at)
		require.NoError(t, err)
	}
	put("fat16", 1<<20)
	_, err = file.WriteAt([]byte("not for others"), 17<<20)
	require.NoError(t, err)
	put("ntfs", 18<<20)
	_, err = file.WriteAt([]byte("what nobody knows"), 34<<20)
	require.NoError(t, err)
	put("xfs", 35<<20)
	return file
}

// reason gives why a fact is not known; "" when it is.
func reason(c facts.Content, fact string) string {
	for _, g := range c.Gaps {
		if g.Fact == fact {
			return g.Reason
		}
	}
	return ""
}

func TestReadDisk(t *testing.T) {
	c := Read(disk(t), "nvme0n1", diskBytes, 512, true)
	require.Empty(t, c.Gaps)
	assert.False(t, c.Bare())
	assert.Nil(t, c.Signature)
	require.Len(t, c.Volumes, 5)
	var kinds []string
	for i, v := range c.Volumes {
		assert.Equal(t, i+1, v.Number)
		assert.Empty(t, v.Gap)
		kind := string(v.Condition)
		if v.Signature != nil {
			kind += " " + v.Signature.Kind
		}
		kinds = append(kinds, kind)
	}
	assert.Equal(t, []string{"clean vfat", "", "clean ntfs", "unknown", "clean xfs"}, kinds)
	assert.True(t, c.Volumes[0].ESP)
	assert.Empty(t, c.Volumes[0].Loaders, "it holds no folder")
}

func TestReadSaysWhatItCannotTell(t *testing.T) {
	file := disk(t)
	c := Read(file, "nvme0n1", diskBytes, 512, false)
	assert.Contains(t, c.Volumes[0].Gap, "not looked for")

	// From some byte on nothing can be read.
	c = Read(&torn{file, 20 << 20}, "nvme0n1", diskBytes, 512, true)
	assert.Contains(t, reason(c, "table"), "input/output error")
	assert.False(t, c.Bare())

	b := make([]byte, 8<<20)
	c = Read(bytes.NewReader(b), "x", uint64(len(b)), 512, false)
	assert.True(t, c.Bare())
	c = Read(&torn{bytes.NewReader(b), 4 << 20}, "x", uint64(len(b)), 512, false)
	assert.False(t, c.Bare())
	assert.NotEmpty(t, c.Gaps)
	for _, at := range []int{0, 1 << 19, len(b) - 1} {
		b[at] = 1
		c = Read(bytes.NewReader(b), "x", uint64(len(b)), 512, false)
		assert.False(t, c.Bare(), at)
		b[at] = 0
	}
	b[4<<20] = 1 // in the middle nobody looks here, so that it is never blank
	c = Read(bytes.NewReader(b), "x", uint64(len(b)), 512, false)
	assert.True(t, c.Bare() && !c.Blank)
}

func TestUnfinishedCopy(t *testing.T) {
	file := disk(t) // its backup header stays where it is
	head := make([]byte, 1<<20)
	copy(head, facts.UnfinishedMark+"3f2a-1\n")
	_, err := file.WriteAt(head, 0)
	require.NoError(t, err)
	c := Read(file, "nvme0n1", diskBytes, 512, true)
	assert.Equal(t, facts.Content{Of: "nvme0n1", SizeBytes: diskBytes, SectorBytes: 512, Unfinished: "3f2a-1"}, c)
	copy(head, facts.UnfinishedMark+strings.Repeat("x", 600))
	_, err = file.WriteAt(head, 0)
	require.NoError(t, err)
	c = Read(file, "nvme0n1", diskBytes, 512, true)
	assert.NotEmpty(t, reason(c, "table"))
	assert.False(t, c.Bare())
}

// torn fails where a read reaches behind an offset.
type torn struct {
	io.ReaderAt
	from int64
}

func (r *torn) ReadAt(b []byte, at int64) (int, error) {
	if at+int64(len(b)) > r.from {
		return 0, errors.New("input/output error")
	}
	return r.ReaderAt.ReadAt(b, at)
}

func TestTwoSignatures(t *testing.T) {
	b, err := os.ReadFile(made(t, "ext4"))
	require.NoError(t, err)
	copy(b, "XFSB")
	c := Read(bytes.NewReader(b), "x", uint64(len(b)), 512, false)
	assert.Contains(t, reason(c, "signature"), "xfs and of ext4")

	// An array's mark at the end goes before what is at the start.
	b, err = os.ReadFile(made(t, "ext4"))
	require.NoError(t, err)
	end := b[len(b)-8192:]
	copy(end, []byte{0xfc, 0x4e, 0x2b, 0xa9, 1})
	binary.LittleEndian.PutUint64(end[144:], uint64(len(b)-8192)/512)
	c = Read(bytes.NewReader(b), "x", uint64(len(b)), 512, false)
	assert.Empty(t, c.Gaps)
	assert.Equal(t, "linux_raid_member", c.Signature.Kind)
}

// FuzzLook: nothing that is looked at makes it fail, and no condition comes
// without a reason.
func FuzzLook(f *testing.F) {
	for name := range cases {
		if _, err := exec.LookPath(cases[name].make[0]); err != nil || cases[name].mib > 16 {
			continue
		}
		b, err := os.ReadFile(made(f, name))
		require.NoError(f, err)
		f.Add(b[:min(len(b), 1<<20)])
	}
	f.Add([]byte("XFSB" + strings.Repeat("\x00\x00\x02", 1000)))
	f.Fuzz(func(t *testing.T, b []byte) {
		found, err := look(newVolume(bytes.NewReader(b), 0, uint64(len(b))))
		require.Equal(t, found.condition == "", found.why == "")
		if err != nil {
			require.NotEqual(t, facts.Clean, found.condition)
		}
		Read(bytes.NewReader(b), "x", uint64(len(b)), 512, true)
	})
}

// FuzzFollow changes single places of real volumes: what a header leads to is
// followed, and nothing fails or grows.
func FuzzFollow(f *testing.F) {
	var volumes [][]byte
	for _, name := range []string{"ntfs", "fat16", "exfat", "ext4", "swap"} {
		if _, err := exec.LookPath(cases[name].make[0]); err != nil {
			f.Skip(cases[name].make[0] + " is not here")
		}
		b, err := os.ReadFile(made(f, name))
		require.NoError(f, err)
		volumes = append(volumes, b)
	}
	f.Add(uint8(0), uint32(0x4000), []byte{1})
	f.Fuzz(func(t *testing.T, which uint8, at uint32, change []byte) {
		b := volumes[int(which)%len(volumes)]
		at %= uint32(len(b))
		old := bytes.Clone(b[at:min(len(b), int(at)+len(change))])
		copy(b[at:], change)
		_, _ = look(newVolume(bytes.NewReader(b), 0, uint64(len(b))))
		copy(b[at:], old)
	})
}
