package ext_test

import (
	"bytes"
	"fmt"
	"io"
	"io/fs"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/formats/ext"
	"lendkeep/testdata/outside"
)

func run(t *testing.T, name string, args ...string) {
	if _, err := exec.LookPath(name); err != nil {
		outside.Missing(t, name+" (e2fsprogs)")
	}
	out, err := exec.Command(name, args...).CombinedOutput()
	require.NoError(t, err, "%s %v: %s", name, args, out)
}

// planted makes a folder with what a reader can get wrong.
func planted(t *testing.T) string {
	from := t.TempDir()
	write := func(name string, b []byte) {
		require.NoError(t, os.MkdirAll(filepath.Dir(filepath.Join(from, name)), 0o755))
		require.NoError(t, os.WriteFile(filepath.Join(from, name), b, 0o644))
	}
	noise := func(n int) []byte {
		b := make([]byte, n)
		r := rand.NewChaCha8([32]byte{byte(n)})
		_, _ = r.Read(b)
		return b
	}
	write("etc/os-release", []byte("NAME=Larch\n"))
	write("empty", nil)
	write("large", noise(3<<20+17))
	for i := range 700 { // more than one block of names
		write(fmt.Sprintf("many/a-name-that-is-rather-long-so-that-few-fit-%04d", i), []byte{byte(i)})
	}
	holes, err := os.Create(filepath.Join(from, "holes"))
	require.NoError(t, err)
	for i := range 40 { // a tree of extents, not only those in the inode
		_, err := holes.WriteAt(noise(5000), int64(i)*65536+8192)
		require.NoError(t, err)
	}
	require.NoError(t, holes.Truncate(3<<20))
	require.NoError(t, holes.Close())
	require.NoError(t, os.Symlink("etc/os-release", filepath.Join(from, "short")))
	require.NoError(t, os.Symlink(strings.Repeat("a/", 500)+"b", filepath.Join(from, "long")))
	return from
}

// What mke2fs puts into a filesystem is read out again, byte by byte; then with the
// hash trees that e2fsck makes of large folders.
func TestReadsWhatMke2fsWrote(t *testing.T) {
	from := planted(t)
	for name, options := range map[string][]string{
		"ext4": {"-t", "ext4"}, "ext4 with blocks of 1 KiB": {"-t", "ext4", "-b", "1024"}, "ext3": {"-t", "ext3"}, "ext2": {"-t", "ext2", "-b", "1024"},
		"ext4 with inodes of 128 bytes": {"-t", "ext4", "-I", "128"}, "ext4 without 64bit": {"-t", "ext4", "-O", "^64bit,^metadata_csum"},
		"ext4 with bigalloc": {"-t", "ext4", "-O", "bigalloc", "-C", "16384"}, "ext4 with large folders and names": {"-t", "ext4", "-O", "large_dir,casefold,encrypt,verity"},
	} {
		t.Run(name, func(t *testing.T) {
			image := filepath.Join(t.TempDir(), "image")
			run(t, "mke2fs", append(append([]string{"-q", "-F", "-d", from}, options...), image, "32M")...)
			compare(t, from, image)
			if out, err := exec.Command("e2fsck", "-fyD", image).CombinedOutput(); err != nil {
				var ended *exec.ExitError // 1: it changed something, as it was told
				require.ErrorAs(t, err, &ended)
				require.Equal(t, 1, ended.ExitCode(), string(out))
			}
			compare(t, from, image)
		})
	}
}

func compare(t *testing.T, from, image string) {
	b, err := os.ReadFile(image)
	require.NoError(t, err)
	v, err := ext.Open(bytes.NewReader(b), uint64(len(b)))
	require.NoError(t, err)
	count := 0
	require.NoError(t, filepath.WalkDir(from, func(name string, d fs.DirEntry, err error) error {
		require.NoError(t, err)
		inside, err := filepath.Rel(from, name)
		require.NoError(t, err)
		if inside == "." {
			return nil
		}
		count++
		number := find(t, v, inside)
		mode, size, err := v.Stat(number)
		require.NoError(t, err, inside)
		require.Equal(t, d.Type(), mode, inside)
		switch d.Type() {
		case 0:
			want, err := os.ReadFile(name)
			require.NoError(t, err)
			require.Equal(t, int64(len(want)), size)
			r, err := v.Open(number)
			require.NoError(t, err, inside)
			got, err := io.ReadAll(io.NewSectionReader(r, 0, size))
			require.NoError(t, err, inside)
			require.True(t, bytes.Equal(want, got), inside)
		case fs.ModeSymlink:
			want, err := os.Readlink(name)
			require.NoError(t, err)
			got, err := v.Link(number)
			require.NoError(t, err)
			require.Equal(t, want, got)
		}
		return nil
	}))
	require.Greater(t, count, 700)
}

func find(t *testing.T, v *ext.Volume, name string) uint64 {
	number := v.Root()
	for part := range strings.SplitSeq(name, "/") {
		files, err := v.List(number)
		require.NoError(t, err, name)
		require.Contains(t, files, part)
		number = files[part]
	}
	return number
}

// What was reserved and never written reads as zeroes, not as what lies there
// (debugfs(8), fallocate).
func TestNeverWrittenIsZero(t *testing.T) {
	from, image := t.TempDir(), filepath.Join(t.TempDir(), "image")
	require.NoError(t, os.WriteFile(filepath.Join(from, "a"), []byte("begin"), 0o600))
	run(t, "mke2fs", "-q", "-F", "-t", "ext4", "-d", from, image, "8M")
	run(t, "debugfs", "-w", "-R", "fallocate a 0 8", image)
	run(t, "debugfs", "-w", "-R", "sif a size 20000", image)
	b, err := os.ReadFile(image)
	require.NoError(t, err)
	for i := 2 << 20; i < len(b); i += 4096 {
		if len(bytes.Trim(b[i:i+4096], "\x00")) == 0 {
			copy(b[i:], "foreign") // what an earlier file left
		}
	}
	v, err := ext.Open(bytes.NewReader(b), uint64(len(b)))
	require.NoError(t, err)
	r, err := v.Open(find(t, v, "a"))
	require.NoError(t, err)
	got, err := io.ReadAll(io.NewSectionReader(r, 0, 20000))
	require.NoError(t, err)
	assert.Equal(t, append([]byte("begin"), make([]byte, 20000-5)...), got)
}

// inline_data keeps small files and folders in the inode, and is not read.
func TestRefusesInlineData(t *testing.T) {
	image := filepath.Join(t.TempDir(), "image")
	run(t, "mke2fs", "-q", "-F", "-t", "ext4", "-O", "inline_data", "-d", planted(t), image, "32M")
	b, err := os.ReadFile(image)
	require.NoError(t, err)
	v, err := ext.Open(bytes.NewReader(b), uint64(len(b)))
	require.NoError(t, err)
	files, err := v.List(v.Root())
	require.NoError(t, err)
	_, err = v.List(files["etc"])
	assert.ErrorContains(t, err, "keeps its data in a way that is not read")
}

// One wrong byte of an inode or of a folder is seen where there are checksums.
func TestChecksums(t *testing.T) {
	from, image := t.TempDir(), filepath.Join(t.TempDir(), "image")
	require.NoError(t, os.WriteFile(filepath.Join(from, "a-name"), []byte("a"), 0o600))
	run(t, "mke2fs", "-q", "-F", "-t", "ext4", "-d", from, image, "8M")
	b, err := os.ReadFile(image)
	require.NoError(t, err)
	v, err := ext.Open(bytes.NewReader(b), uint64(len(b)))
	require.NoError(t, err)
	number := find(t, v, "a-name")
	at := bytes.Index(b, []byte("a-name"))
	require.Positive(t, at)
	b[at] ^= 1
	_, err = v.List(v.Root())
	assert.ErrorContains(t, err, "checksum")
	b[at] ^= 1
	stat, err := exec.Command("debugfs", "-R", fmt.Sprintf("imap <%d>", number), image).Output()
	require.NoError(t, err)
	var group, block, offset int
	_, err = fmt.Sscanf(string(stat[bytes.Index(stat, []byte("is part of")):]), "is part of block group %d\n\tlocated at block %d, offset 0x%x", &group, &block, &offset)
	require.NoError(t, err, string(stat))
	b[block*1024+offset+4] ^= 1 // its size; blocks have 1 KiB, as of all that are small
	_, _, err = v.Stat(number)
	assert.ErrorContains(t, err, "checksum")
}

// A damaged filesystem ends in an error or in bytes, never in a panic or for ever.
func TestDamaged(t *testing.T) {
	image := filepath.Join(t.TempDir(), "image")
	run(t, "mke2fs", "-q", "-F", "-t", "ext4", "-b", "1024", "-N", "1000", "-O", "^metadata_csum", "-d", planted(t), image, "16M")
	whole, err := os.ReadFile(image)
	require.NoError(t, err)
	random := rand.New(rand.NewPCG(1, 2))
	for range 40 {
		b := bytes.Clone(whole)
		for range 1 + random.IntN(200) {
			at := random.IntN(len(b))
			if random.IntN(2) == 0 {
				at = 1024 + random.IntN(1<<19) // superblock, descriptors, inodes
			}
			b[at] = byte(random.Uint32())
		}
		v, err := ext.Open(bytes.NewReader(b), uint64(len(b)))
		if err != nil {
			continue
		}
		all(v, v.Root(), 0)
	}
}

// all reads all that can be reached, a few levels deep.
func all(v *ext.Volume, number uint64, depth int) {
	files, err := v.List(number)
	if err != nil || depth > 3 {
		return
	}
	for name, inside := range files {
		if name == "." || name == ".." {
			continue
		}
		mode, size, err := v.Stat(inside)
		switch {
		case err != nil:
		case mode.IsDir():
			all(v, inside, depth+1)
		case mode.IsRegular():
			if r, err := v.Open(inside); err == nil {
				_, _ = io.Copy(io.Discard, io.NewSectionReader(r, 0, min(size, 1<<17)))
			}
		default:
			_, _ = v.Link(inside)
		}
	}
}

func FuzzOpen(f *testing.F) {
	f.Add([]byte{}, uint16(0), byte(0))
	f.Fuzz(func(t *testing.T, b []byte, at uint16, as byte) {
		image := make([]byte, 1<<16)
		copy(image[1024:], b)
		image[1024+0x38], image[1024+0x39] = 0x53, 0xef
		image[at] = as
		if v, err := ext.Open(bytes.NewReader(image), uint64(len(image))); err == nil {
			all(v, v.Root(), 0)
		}
	})
}
