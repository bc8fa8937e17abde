package initramfs_test

import (
	"bytes"
	"context"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/formats/initramfs"
	"lendkeep/testdata/outside"
)

// piped gives what a program makes of its input.
func piped(t testing.TB, in []byte, folder string, command ...string) []byte {
	if _, err := exec.LookPath(command[0]); err != nil {
		outside.Missing(t, command[0])
	}
	c := exec.Command(command[0], command[1:]...)
	c.Stdin, c.Dir = bytes.NewReader(in), folder
	var words bytes.Buffer
	c.Stderr = &words
	out, err := c.Output()
	require.NoError(t, err, "%v: %s", command, words.String())
	return out
}

// archive makes one of these files by cpio(1), each with some content.
func archive(t testing.TB, names ...string) []byte {
	from := t.TempDir()
	for _, name := range names {
		require.NoError(t, os.MkdirAll(filepath.Join(from, filepath.Dir(name)), 0o755))
		require.NoError(t, os.WriteFile(filepath.Join(from, name), bytes.Repeat([]byte(name), 100+len(name)), 0o644))
	}
	return piped(t, []byte(strings.Join(names, "\n")), from, "cpio", "--quiet", "-o", "-H", "newc", "-R", "0:0")
}

// compressors are called as mkinitramfs and dracut call them; the kernel's own checks
// decide on the options.
var compressors = map[string][]string{
	"none": nil, "gzip": {"gzip", "-n", "-9"}, "zstd": {"zstd", "-q", "-9", "-T0", "-c"}, "zstd of one block": {"zstd", "-q", "-1", "--no-check", "-c"},
	"xz": {"xz", "--check=crc32", "-c"}, "xz in blocks": {"xz", "--check=crc64", "--block-size=65536", "-T2", "-c"}, "xz without a check": {"xz", "--check=none", "-c"},
	"lz4": {"lz4", "-q", "-9", "-l", "-c"}, "lzma": {"xz", "--format=lzma", "-c"}, "bzip2": {"bzip2", "-c"},
}

func names(t testing.TB, b []byte) ([]string, error) {
	var list []string
	err := initramfs.Walk(t.Context(), bytes.NewReader(b), int64(len(b)), func(f initramfs.File) error {
		if f.Mode&0o170000 == 0o100000 {
			content, err := io.ReadAll(f)
			if err != nil {
				return err
			}
			require.True(t, bytes.Equal(bytes.Repeat([]byte(f.Name), 100+len(f.Name)), content), f.Name)
			list = append(list, f.Name)
		}
		return nil
	})
	return list, err
}

// An early archive with microcode, the main one, and one more behind it, are all seen
// in every way of compressing; cut off anywhere, none is whole.
func TestReadsWhatOthersWrote(t *testing.T) {
	early := archive(t, "kernel/x86/microcode/AuthenticAMD.bin")
	main := archive(t, "usr/lib/modules/6.1.0/kernel/drivers/nvme/host/nvme.ko", "init", "usr/lib/modules/6.1.0/modules.builtin")
	last := archive(t, "last")
	for name, command := range compressors {
		t.Run(name, func(t *testing.T) {
			packed := main
			if command != nil {
				packed = piped(t, main, "", command...)
			}
			want := []string{"kernel/x86/microcode/AuthenticAMD.bin", "usr/lib/modules/6.1.0/kernel/drivers/nvme/host/nvme.ko", "init", "usr/lib/modules/6.1.0/modules.builtin"}
			whole := slices.Concat(early, packed)
			got, err := names(t, whole)
			require.NoError(t, err)
			assert.Equal(t, want, got)

			for _, cut := range []int{1, 5, 13, 200, len(packed) / 2, len(packed) - 2} {
				if cut < len(packed) {
					got, err := names(t, whole[:len(whole)-cut])
					if err == nil { // what padded the end is not needed
						assert.True(t, cut < 512 && command == nil && slices.Equal(want, got), cut)
					}
				}
			}
			more := append(slices.Concat(whole, make([]byte, (4-len(whole)%4)%4+512)), last...)
			got, err = names(t, more)
			if command != nil && command[0] == "bzip2" {
				assert.Error(t, err)
				return
			}
			require.NoError(t, err)
			assert.Equal(t, append(want, "last"), got)
			if command == nil {
				return
			}
			got, err = names(t, slices.Concat(packed, packed)) // with nothing between
			require.NoError(t, err)
			assert.Equal(t, slices.Concat(want[1:], want[1:]), got)
		})
	}
}

// What lsinitramfs lists of an initramfs is what is seen (initramfs-tools; of two plain
// archives Debian 12's ends with an error, the kernel does not).
func TestListsWhatLsinitramfsLists(t *testing.T) {
	main := archive(t, "init", "usr/lib/modules/6.1.0/kernel/drivers/nvme/host/nvme.ko.xz", "etc/fstab", "conf/initramfs.conf")
	for _, name := range []string{"gzip", "zstd", "xz"} {
		packed := piped(t, main, "", compressors[name]...)
		file := filepath.Join(t.TempDir(), "initrd.img-6.1.0")
		require.NoError(t, os.WriteFile(file, slices.Concat(archive(t, "kernel/x86/microcode/x.bin"), packed), 0o644))
		want := strings.Fields(string(piped(t, nil, "", "lsinitramfs", file)))
		got, err := names(t, slices.Concat(archive(t, "kernel/x86/microcode/x.bin"), packed))
		require.NoError(t, err)
		require.NotEmpty(t, want)
		for _, n := range want {
			if !strings.Contains(n, "cpio") {
				assert.Contains(t, got, n, name)
			}
		}
	}
}

func TestStopsAndRefuses(t *testing.T) {
	plain := archive(t, "init", "nvme.ko")
	walk := func(ctx context.Context, b []byte, see func(initramfs.File) error) error {
		return initramfs.Walk(ctx, bytes.NewReader(b), int64(len(b)), see)
	}
	all := func(initramfs.File) error { return nil }
	broken := append(slices.Clone(plain), "junk"...)
	assert.NoError(t, walk(t.Context(), broken, func(initramfs.File) error { return fs.SkipAll }), "found before the damage")
	assert.ErrorContains(t, walk(t.Context(), broken, all), "neither an archive nor compressed")
	assert.ErrorContains(t, walk(t.Context(), nil, all), "no archive")
	assert.ErrorContains(t, walk(t.Context(), make([]byte, 8192), all), "no archive")
	assert.ErrorContains(t, walk(t.Context(), []byte("\x89\x4c\x5a\x4f\x00\x0d\x0a\x1a\x0a"), all), "lzo, which is not read")
	assert.Error(t, walk(t.Context(), plain[:len(plain)/2], all))
	ended, cancel := context.WithCancel(t.Context())
	cancel()
	assert.ErrorIs(t, walk(ended, plain, all), context.Canceled)
	assert.ErrorContains(t, initramfs.Walk(t.Context(), bytes.NewReader(nil), 1<<40, all), "more than is read")

	flipped := piped(t, plain, "", "xz", "--check=crc32", "-c")
	flipped[len(flipped)/2] ^= 1
	assert.Error(t, walk(t.Context(), flipped, all), "a damaged one is never a no")
	huge := piped(t, plain, "", "xz", "--check=crc32", "--lzma2=dict=128MiB", "-c")
	assert.ErrorContains(t, walk(t.Context(), huge, all), "dictionary of more than")
}

func FuzzWalk(f *testing.F) {
	plain := archive(f, "init", "nvme.ko")
	f.Add(plain)
	for _, command := range compressors {
		if command != nil {
			f.Add(piped(f, plain, "", command...))
		}
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		_ = initramfs.Walk(t.Context(), bytes.NewReader(b), int64(len(b)), func(f initramfs.File) error {
			_, err := io.CopyN(io.Discard, f, min(f.Bytes, 1000))
			return err
		})
	})
}
