package measure

import (
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"lendkeep/reconcile/speed"
)

// loop gives a loop device over a file with a content.
func loop(t *testing.T, content []byte) string {
	t.Helper()
	if os.Geteuid() != 0 {
		t.Skip("loop devices take root")
	}
	file := filepath.Join(t.TempDir(), "drive")
	require.NoError(t, os.WriteFile(file, content, 0o600))
	said, err := exec.Command("losetup", "--find", "--show", file).CombinedOutput()
	if err != nil {
		t.Skipf("no loop device: %v: %s", err, said)
	}
	node := strings.TrimSpace(string(said))
	t.Cleanup(func() { assert.NoError(t, exec.Command("losetup", "--detach", node).Run()) })
	return node
}

func device(path string) Asked {
	return Asked{Form: speed.Device, Path: path, Runs: 1, Lasts: ShortestRun}
}

func TestMeasureADevice(t *testing.T) {
	content := make([]byte, LeastBytes+512)
	l := aLane()
	fill(content[:len(content)/2], l.random)
	node := loop(t, content)
	link := filepath.Join(t.TempDir(), "by-name")
	require.NoError(t, os.Symlink(node, link))
	r, err := Measure(t.Context(), device(link), func(string) {})
	require.NoError(t, err)
	r.Program = "1.4.0"
	_, err = r.Encode()
	require.NoError(t, err)
	assert.Len(t, r.Series, 3)
	assert.EqualValues(t, LeastBytes, r.Method.FileBytes)
	assert.Zero(t, r.Method.Written)
	assert.Equal(t, filepath.Base(node), r.Target.Block)
	assert.Positive(t, *r.Around.ZerosPercent, "half of it is zeros")
	after, err := os.ReadFile(node)
	require.NoError(t, err)
	assert.Equal(t, content, after)
}

// It is opened for reading alone: the kernel refuses to write it.
func TestDeviceIsOpenedForReading(t *testing.T) {
	d, err := openDevice(loop(t, make([]byte, LeastBytes)))
	require.NoError(t, err)
	defer d.close()
	flags, err := unix.FcntlInt(uintptr(d.handle), unix.F_GETFL, 0)
	require.NoError(t, err)
	assert.Equal(t, unix.O_RDONLY, flags&unix.O_ACCMODE)
	assert.NotZero(t, flags&unix.O_DIRECT)
	assert.Zero(t, flags&unix.O_NONBLOCK)
	c := &course{kind: speed.Kinds[1], blocks: 8, most: 8, stopped: new(atomic.Bool)}
	_, err = c.through(threads{d.handle}, newLanes(), 0)
	assert.ErrorIs(t, err, unix.EBADF)
}

func TestDevicesInUseAreRefused(t *testing.T) {
	node := loop(t, make([]byte, LeastBytes))
	held, err := unix.Open(node, unix.O_RDONLY|unix.O_EXCL, 0)
	require.NoError(t, err)
	_, err = openDevice(node)
	assert.ErrorContains(t, err, "device "+node+" is in use")
	require.NoError(t, unix.Close(held))
	d, err := openDevice(node)
	require.NoError(t, err)
	_, err = openDevice(node)
	assert.ErrorContains(t, err, "is in use", "nobody else gets it meanwhile")
	require.NoError(t, d.close())
}

func TestWhatIsNoDrive(t *testing.T) {
	dir := t.TempDir()
	file, fifo := filepath.Join(dir, "file"), filepath.Join(dir, "fifo")
	require.NoError(t, os.WriteFile(file, make([]byte, 4096), 0o600))
	require.NoError(t, unix.Mkfifo(fifo, 0o600))
	for path, says := range map[string]string{
		file: "is not a block device", fifo: "is not a block device", dir: "is not a block device", "/dev/null": "is not a block device", "/dev/watchdog": "/dev/watchdog",
		filepath.Join(dir, "none"):          "no such file or directory",
		loop(t, make([]byte, LeastBytes/2)): "has only 33554432 bytes",
	} {
		_, err := Measure(t.Context(), device(path), func(string) {})
		var p Problem
		require.ErrorAs(t, err, &p, path)
		assert.ErrorContains(t, err, says)
		assert.NotEmpty(t, p.Next)
	}
}

// The kernel counts the operations that a device has under way (Linux Documentation/
// ABI/stable/sysfs-block: inflight): with a deep series they are many, with depth 1
// never two. Looked at often enough, it is seen.
func TestDepthAsTheKernelCounts(t *testing.T) {
	node := loop(t, make([]byte, LeastBytes))
	everyWay(t, func(t *testing.T, open func(handle, int) (way, error)) {
		d, err := openDevice(node)
		require.NoError(t, err)
		defer d.close()
		w, err := open(d.handle, deepest)
		require.NoError(t, err)
		defer w.close()
		most := func(depth int, operations int64) int {
			stopped := new(atomic.Bool)
			done := make(chan error)
			c := &course{kind: speed.Kind{Access: speed.Random, Deed: speed.Read, BlockBytes: 4 << 10, Depth: depth}, blocks: d.bytes >> 12, most: operations, stopped: stopped}
			go func() { done <- w.run(c, newLanes()) }()
			seen := 0
			for {
				seen = max(seen, inflight(t, node))
				if seen >= deepest/4 {
					stopped.Store(true)
				}
				select {
				case err := <-done:
					require.NoError(t, err)
					return seen
				default:
				}
			}
		}
		assert.LessOrEqual(t, most(1, 500), 1)
		deep := 0
		for range 20 {
			if deep = max(deep, most(deepest, 20000)); deep >= deepest/4 {
				return
			}
		}
		assert.Fail(t, "no depth", "the kernel never had more than %d operations under way", deep)
	})
}

// inflight gives how many reads a device has under way.
func inflight(t *testing.T, node string) int {
	content, err := os.ReadFile(filepath.Join("/sys/block", filepath.Base(node), "inflight"))
	require.NoError(t, err)
	n, err := strconv.Atoi(strings.Fields(string(content))[0])
	require.NoError(t, err)
	return n
}
