package copy

import (
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"lendkeep/providers/drive/image"
)

// TestMain lets the test binary be a process that only copies, so that a
// benchmark sees its memory apart from all else.
func TestMain(m *testing.M) {
	if target := os.Getenv("LENDKEEP_COPY_TO"); target != "" {
		if err := copyOnly(os.Getenv("LENDKEEP_COPY_FROM"), target, os.Getenv("LENDKEEP_COPY_RECORD")); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	os.Exit(m.Run())
}

func copyOnly(from, to, record string) error {
	i, err := image.Open(from, "qcow2", image.OpenFile)
	if err != nil {
		return err
	}
	defer i.Close()
	file, err := os.OpenFile(to, os.O_RDWR, 0)
	if err != nil {
		return err
	}
	defer file.Close()
	target, err := Open(file)
	if err != nil {
		return err
	}
	defer target.Close()
	return Copy(context.Background(), i, target, Options{Mark: "unfinished", Record: record, Drive: to, From: "image", To: "drive"})
}

// BenchmarkCopy holds a copy with its reading back against qemu-img convert -n
// followed by qemu-img compare, of the same image to the same target in one
// run: a disk of 10 GiB with 30 % data, and a dense one of 2.5 GiB. It takes
// minutes, 16 GB below LENDKEEP_BENCH_DIR, which must be on a filesystem that
// can do direct I/O, and root for the loop device. To repeat:
//
//	LENDKEEP_BENCH_DIR=/var/tmp go test -run '^$' -bench Copy -benchtime 3x ./providers/drive/copy
//
// plain/ours is the ratio of the wall times, of the best run of each, to the two
// commands as anybody types them, followed by a sync of the target: what plain
// qemu-img leaves in the page cache is on no drive yet, and what it compares with
// may never have been. tuned/ours is the ratio to what an operator who knows it
// would give it: writes out of sequence, 16 of them at once, no cache on the
// target, and for the image the better of no cache and the page cache, both of
// which are measured. MiB is the resident memory of the process that copies, at
// its highest.
func BenchmarkCopy(b *testing.B) {
	dir := os.Getenv("LENDKEEP_BENCH_DIR")
	if dir == "" {
		b.Skip("takes minutes and 16 GB: set LENDKEEP_BENCH_DIR to a folder on a disk")
	}
	if _, err := exec.LookPath("qemu-img"); err != nil {
		b.Skip("qemu-img (Debian: qemu-utils) is not installed")
	}
	dir, err := os.MkdirTemp(dir, "lendkeep-bench-")
	require.NoError(b, err)
	b.Cleanup(func() { _ = os.RemoveAll(dir) })
	for _, c := range []struct {
		name   string
		size   int64
		pieces int64 // of 64 MiB
	}{{"sparse", 10 << 30, 48}, {"dense", 2560 << 20, 40}} {
		from := filepath.Join(dir, c.name+".qcow2")
		benchImage(b, from, c.size, c.pieces)
		for _, on := range []string{"loop", "file"} {
			b.Run(c.name+"/"+on, func(b *testing.B) { benchOne(b, dir, from, c.size, on) })
		}
		require.NoError(b, os.Remove(from))
	}
}

// benchImage makes a qcow2 image with pieces of random bytes, evenly spread.
func benchImage(b *testing.B, path string, size, pieces int64) {
	const piece = 64 << 20
	random, seed := make([]byte, piece), rand.NewChaCha8([32]byte{1})
	_, _ = seed.Read(random)
	pattern := path + ".pattern"
	require.NoError(b, os.WriteFile(pattern, random, 0o600))
	defer os.Remove(pattern)
	run(b, "qemu-img", "create", "-q", "-f", "qcow2", path, fmt.Sprint(size))
	arguments := []string{"-t", "none", "-f", "qcow2"}
	for n := range pieces {
		arguments = append(arguments, "-c", fmt.Sprintf("write -q -s %s %d %d", pattern, size/pieces/4096*4096*n, int64(piece)))
	}
	run(b, "qemu-io", append(arguments, path)...)
}

func benchOne(b *testing.B, dir, from string, size int64, on string) {
	if on == "loop" && os.Geteuid() != 0 {
		b.Skip("a loop device takes root")
	}
	best := map[string]time.Duration{}
	peak := int64(0)
	measured := func(name string, deed func(target string)) {
		target, done := benchTarget(b, dir, size, on)
		defer done()
		forgetCached(b, from)
		start := time.Now()
		deed(target)
		if took := time.Since(start); best[name] == 0 || took < best[name] {
			best[name] = took
		}
	}
	for range b.N {
		measured("plain", func(target string) {
			run(b, "qemu-img", "convert", "-n", "-f", "qcow2", "-O", "raw", from, target)
			run(b, "sync", target)
			run(b, "qemu-img", "compare", "-q", "-f", "qcow2", "-F", "raw", from, target)
		})
		for _, cache := range []string{"none", "writeback"} {
			measured(cache, func(target string) {
				run(b, "qemu-img", "convert", "-n", "-W", "-m", "16", "-f", "qcow2", "-O", "raw", "-t", "none", "-T", cache, from, target)
				run(b, "qemu-img", "compare", "-q", "-f", "qcow2", "-F", "raw", "-T", cache, from, target)
			})
		}
		measured("ours", func(target string) {
			self := exec.Command(os.Args[0])
			self.Env = append(os.Environ(), "LENDKEEP_COPY_FROM="+from, "LENDKEEP_COPY_TO="+target, "LENDKEEP_COPY_RECORD="+filepath.Join(dir, "record"))
			out, err := self.CombinedOutput()
			require.NoError(b, err, string(out))
			peak = max(peak, self.ProcessState.SysUsage().(*syscall.Rusage).Maxrss)
		})
	}
	b.ReportMetric(0, "ns/op") // says nothing here: of all three together
	b.ReportMetric(best["plain"].Seconds()/best["ours"].Seconds(), "plain/ours")
	b.ReportMetric(min(best["none"], best["writeback"]).Seconds()/best["ours"].Seconds(), "tuned/ours")
	b.ReportMetric(best["plain"].Seconds(), "plain-s")
	b.ReportMetric(best["none"].Seconds(), "direct-s")
	b.ReportMetric(best["writeback"].Seconds(), "cached-s")
	b.ReportMetric(best["ours"].Seconds(), "ours-s")
	b.ReportMetric(float64(peak)/1024, "MiB")
}

// benchTarget makes an empty file of that size, or a loop device over one.
func benchTarget(b *testing.B, dir string, size int64, on string) (path string, done func()) {
	file := filepath.Join(dir, "target")
	require.NoError(b, os.WriteFile(file, nil, 0o600))
	require.NoError(b, os.Truncate(file, size))
	if on == "file" {
		return file, func() { require.NoError(b, os.Remove(file)) }
	}
	loop := strings.TrimSpace(run(b, "losetup", "--find", "--show", "--direct-io=on", file))
	return loop, func() {
		run(b, "losetup", "--detach", loop)
		require.NoError(b, os.Remove(file))
	}
}

// forgetCached lets the page cache drop an image, so that nobody starts warm.
func forgetCached(b *testing.B, path string) {
	file, err := os.Open(path)
	require.NoError(b, err)
	defer file.Close()
	require.NoError(b, unix.Fdatasync(int(file.Fd())))
	require.NoError(b, unix.Fadvise(int(file.Fd()), 0, 0, unix.FADV_DONTNEED))
}

func run(t testing.TB, program string, arguments ...string) string {
	t.Helper()
	out, err := exec.Command(program, arguments...).CombinedOutput()
	require.NoError(t, err, "%s: %s", program, out)
	return string(out)
}
