package xfs_test

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

	"lendkeep/providers/formats/xfs"
	"lendkeep/testdata/outside"
)

// made makes an XFS with these files by mkfs.xfs and its protofile (mkfs.xfs(8), -p).
func made(t testing.TB, contents map[string][]byte, options ...string) []byte {
	if _, err := exec.LookPath("mkfs.xfs"); err != nil {
		outside.Missing(t, "mkfs.xfs (xfsprogs)")
	}
	folder := t.TempDir()
	proto := &strings.Builder{}
	fmt.Fprint(proto, "/none\n0 0\nd--755 0 0\n")
	names := []string{}
	for name := range contents {
		names = append(names, name)
	}
	for i, name := range names {
		file := filepath.Join(folder, fmt.Sprint(i))
		require.NoError(t, os.WriteFile(file, contents[name], 0o644))
		fmt.Fprintf(proto, "%s ---644 0 0 %s\n", name, file)
	}
	fmt.Fprint(proto, "short l--777 0 0 etc/os-release\n")
	fmt.Fprint(proto, "many d--755 0 0\n")
	for i := range many {
		fmt.Fprintf(proto, "%s ---644 0 0 %s\n", manyName(i), os.DevNull)
	}
	fmt.Fprint(proto, "$\nfew d--755 0 0\nin d--700 0 0\n$\n$\n$\n")
	file, image := filepath.Join(folder, "proto"), filepath.Join(folder, "image")
	require.NoError(t, os.WriteFile(file, []byte(proto.String()), 0o644))
	require.NoError(t, os.WriteFile(image, nil, 0o644))
	require.NoError(t, os.Truncate(image, 40<<20))
	command := exec.Command("mkfs.xfs", append(append([]string{"-q", "-p", file}, options...), image)...)
	command.Env = append(os.Environ(), "TEST_DIR=1", "TEST_DEV=1", "QA_CHECK_FS=1") // lets it make a small one
	out, err := command.CombinedOutput()
	require.NoError(t, err, string(out))
	b, err := os.ReadFile(image)
	require.NoError(t, err)
	return b
}

const many = 900 // names, more than one block of them

func manyName(i int) string { return fmt.Sprintf("a-name-that-is-rather-long-so-that-few-fit-%04d", i) }

func noise(n int) []byte {
	b := make([]byte, n)
	_, _ = rand.NewChaCha8([32]byte{byte(n)}).Read(b)
	return b
}

func open(t testing.TB, b []byte) *xfs.Volume {
	v, err := xfs.Open(bytes.NewReader(b), uint64(len(b)))
	require.NoError(t, err)
	return v
}

// What mkfs.xfs puts into a filesystem is read out again, of version 5 and 4, with
// other blocks, folders and inodes.
func TestReadsWhatMkfsWrote(t *testing.T) {
	contents := map[string][]byte{"empty": nil, "small": []byte("small\n"), "large": noise(3<<20 + 17)}
	for _, options := range [][]string{nil, {"-m", "crc=0"}, {"-m", "crc=0", "-n", "ftype=0"}, {"-b", "size=1024"}, {"-n", "size=8192"}, {"-i", "size=1024"}, {"-m", "reflink=0,rmapbt=0,bigtime=0"}, {"-d", "agcount=2"}} {
		t.Run(strings.Join(options, " "), func(t *testing.T) {
			v := open(t, made(t, contents, options...))
			files, err := v.List(v.Root())
			require.NoError(t, err)
			for name, want := range contents {
				require.Contains(t, files, name)
				mode, size, err := v.Stat(files[name])
				require.NoError(t, err)
				assert.True(t, mode.IsRegular())
				assert.Equal(t, int64(len(want)), size)
				r, err := v.Open(files[name])
				require.NoError(t, err)
				got, err := io.ReadAll(io.NewSectionReader(r, 0, size))
				require.NoError(t, err)
				assert.True(t, bytes.Equal(want, got), name)
			}
			target, err := v.Link(files["short"])
			require.NoError(t, err)
			assert.Equal(t, "etc/os-release", target)
			listed, err := v.List(files["many"])
			require.NoError(t, err)
			for i := range many {
				require.Contains(t, listed, manyName(i))
			}
			few, err := v.List(files["few"])
			require.NoError(t, err)
			mode, _, err := v.Stat(few["in"])
			require.NoError(t, err)
			assert.Equal(t, fs.ModeDir, mode)
		})
	}
}

// A damaged filesystem ends in an error or in bytes, never in a panic or for ever.
func TestDamaged(t *testing.T) {
	whole := made(t, map[string][]byte{"large": noise(1 << 20)}, "-m", "crc=0")
	random := rand.New(rand.NewPCG(1, 2))
	v := open(t, whole)
	inode := bytes.Index(whole, []byte("IN\x41\xed")) // of the root folder
	require.Positive(t, inode)
	for range 300 {
		b := whole // only what is changed is put back
		var undo [][2]int
		for range 1 + random.IntN(60) {
			at := random.IntN(4096)
			if random.IntN(3) > 0 {
				at = inode + random.IntN(1<<16)
			}
			undo = append(undo, [2]int{at, int(b[at])})
			b[at] = byte(random.Uint32())
		}
		if v, err := xfs.Open(bytes.NewReader(b), uint64(len(b))); err == nil {
			all(v, v.Root(), 0)
		}
		for i := len(undo) - 1; i >= 0; i-- {
			b[undo[i][0]] = byte(undo[i][1])
		}
	}
	_, err := v.List(v.Root())
	assert.NoError(t, err, "all is put back")
}

// A wrong byte of version 5 is seen by its checksums.
func TestChecksums(t *testing.T) {
	b := made(t, map[string][]byte{"a": []byte("a")})
	v := open(t, b)
	files, err := v.List(v.Root())
	require.NoError(t, err)
	at := bytes.Index(b, []byte("XDD3"))
	require.Positive(t, at)
	b[at+100] ^= 1
	_, err = v.List(files["many"])
	assert.ErrorContains(t, err, "checksum")
	at = bytes.Index(b, []byte("IN\x41\xed"))
	b[at+60] ^= 1
	_, err = v.List(v.Root())
	assert.ErrorContains(t, err, "checksum")
}

// all reads all that can be reached, a few levels deep.
func all(v *xfs.Volume, number uint64, depth int) {
	files, err := v.List(number)
	if err != nil || depth > 2 {
		return
	}
	read := 0
	for _, inside := range files {
		if read++; read > 20 {
			return
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
	whole := made(f, map[string][]byte{"a": noise(9000)}, "-m", "crc=0")
	f.Add(whole[:512], uint32(0), uint64(0))
	inode := bytes.Index(whole, []byte("IN\x41\xed"))
	f.Fuzz(func(t *testing.T, b []byte, at uint32, as uint64) {
		image := whole[:1<<20]
		before := bytes.Clone(image)
		defer copy(image, before)
		copy(image[:512], b)
		for i := range 8 {
			image[(inode+int(at%(1<<16))+i)%len(image)] = byte(as >> (8 * i))
		}
		if v, err := xfs.Open(bytes.NewReader(whole), uint64(len(whole))); err == nil {
			all(v, v.Root(), 0)
		}
	})
}
