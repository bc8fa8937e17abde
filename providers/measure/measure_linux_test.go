package measure

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/speed"
	"lendkeep/testdata/outside"
)

// onADrive gives a temporary folder, or skips where that is in memory.
func onADrive(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	var fs unix.Statfs_t
	require.NoError(t, unix.Statfs(dir, &fs))
	if fs.Type == unix.TMPFS_MAGIC {
		t.Skip("the folder for temporary files is in memory: set TMPDIR to one on a drive")
	}
	return dir
}

// aFile gives an open target of so many blocks, and lanes.
func aFile(t *testing.T, blocks int64) (*target, []*lane) {
	t.Helper()
	file, err := makeFile(onADrive(t))
	require.NoError(t, err)
	t.Cleanup(func() { assert.NoError(t, file.close()) })
	require.NoError(t, file.allocate(blocks*Block))
	return file, newLanes()
}

// everyWay runs a test with each way that this kernel has.
func everyWay(t *testing.T, test func(t *testing.T, open func(handle, int) (way, error))) {
	for _, w := range ways {
		t.Run(w.name, func(t *testing.T) {
			made, err := w.open(-1, deepest)
			if refuses(err) {
				t.Skip("this kernel, or what shuts the test in, has no such way: " + err.Error())
			}
			require.NoError(t, err)
			require.NoError(t, made.close())
			assert.Equal(t, w.name, made.name())
			assert.Contains(t, speed.Ways, w.name)
			test(t, w.open)
		})
	}
}

// What is written is what is read by others, everywhere in the file, and no sector of
// it is there twice.
func TestEveryWayWritesAndReads(t *testing.T) {
	everyWay(t, func(t *testing.T, open func(handle, int) (way, error)) {
		const blocks = 8
		file, lanes := aFile(t, blocks)
		w, err := open(file.handle, deepest)
		require.NoError(t, err)
		defer w.close()
		run := func(kind speed.Kind, most int64) lap {
			c := &course{kind: kind, blocks: file.bytes / kind.BlockBytes, most: most, stopped: new(atomic.Bool)}
			made, err := c.through(w, lanes, 0)
			require.NoError(t, err)
			assert.Equal(t, most, made.Operations)
			assert.Equal(t, most*kind.BlockBytes, made.Bytes)
			assert.True(t, 0 < made.P50 && made.P50 <= made.P99 && made.P99 <= made.P999 && made.P999 <= made.Took)
			assert.Zero(t, made.zeros)
			return made
		}
		run(speed.Kind{Access: speed.Sequential, Deed: speed.Write, BlockBytes: Block, Depth: 8}, blocks)
		run(speed.Kind{Access: speed.Random, Deed: speed.Write, BlockBytes: 4 << 10, Depth: 32}, 6000)
		content := make([]byte, file.bytes)
		_, err = os.NewFile(dup(t, file.handle), "").ReadAt(content, 0)
		require.NoError(t, err)
		seen := map[string]bool{}
		for at := 0; at < len(content); at += 512 {
			sector := string(content[at : at+512])
			require.False(t, seen[sector], "the sector at %d is there before", at)
			seen[sector] = true
		}
		// In pieces, as filesystems compress (btrfs: 128 KiB, its documentation of
		// compression); by chance a block may be like another but for the marks.
		for at := 0; at < len(content); at += 128 << 10 {
			require.Greater(t, compressed(t, content[at:at+128<<10]), 112<<10)
		}
		for _, kind := range []speed.Kind{{Access: speed.Sequential, Deed: speed.Read, BlockBytes: Block, Depth: 8}, {Access: speed.Random, Deed: speed.Read, BlockBytes: 4 << 10, Depth: 32}, {Access: speed.Random, Deed: speed.Read, BlockBytes: 4 << 10, Depth: 1}} {
			run(kind, 100)
			for _, l := range lanes[:kind.Depth] {
				if l.all == 0 { // the others were faster
					continue
				}
				assert.True(t, bytes.Equal(content[l.offset:l.offset+kind.BlockBytes], l.buffer[:kind.BlockBytes]), "%s at %d", kind, l.offset)
			}
		}
	})
}

// As many operations are under way at once as a series wants, by threads several, and
// never more.
func TestDepthIsReached(t *testing.T) {
	everyWay(t, func(t *testing.T, open func(handle, int) (way, error)) {
		file, lanes := aFile(t, 16)
		w, err := open(file.handle, deepest)
		require.NoError(t, err)
		defer w.close()
		for depth, most := range map[int]int64{1: 50, 2: 200, 32: 2000} {
			kind := speed.Kind{Access: speed.Random, Deed: speed.Write, BlockBytes: 4 << 10, Depth: depth}
			c := &course{kind: kind, blocks: file.bytes / kind.BlockBytes, most: most, stopped: new(atomic.Bool)}
			made, err := c.through(w, lanes, 0)
			require.NoError(t, err)
			assert.LessOrEqual(t, made.depth, int64(depth))
			if w.name() == "threads" { // how many are in the kernel at once is its scheduler's
				assert.GreaterOrEqual(t, made.depth, int64(min(depth, 2)))
			} else {
				assert.EqualValues(t, depth, made.depth)
			}
		}
	})
}

func dup(t *testing.T, fd handle) uintptr {
	made, err := unix.Dup(fd)
	require.NoError(t, err)
	return uintptr(made)
}

// Past the end of the file there is nothing to read: each way says so, and ends.
func TestEveryWayTellsErrors(t *testing.T) {
	everyWay(t, func(t *testing.T, open func(handle, int) (way, error)) {
		file, lanes := aFile(t, 8)
		require.NoError(t, unix.Ftruncate(file.handle, Block))
		w, err := open(file.handle, deepest)
		require.NoError(t, err)
		defer w.close()
		c := &course{kind: speed.Kinds[0], blocks: 8, stopped: new(atomic.Bool)}
		_, err = c.through(w, lanes, 0)
		assert.ErrorContains(t, err, "read 1048576 bytes at offset ")
		assert.ErrorContains(t, err, "only 0 of them")
		assert.Zero(t, c.flying.Load())

		closed, err := open(-1, deepest)
		require.NoError(t, err)
		defer closed.close()
		c = &course{kind: speed.Kinds[0], blocks: 8, stopped: new(atomic.Bool)}
		_, err = c.through(closed, lanes, 0)
		assert.ErrorIs(t, err, unix.EBADF)
	})
}

// The kernel itself counts what a process has read from drives and written to them
// (proc(5): /proc/PID/io); what caches give it does not count.
func TestBytesAreWhatTheKernelCounts(t *testing.T) {
	counted := func() (read, written int64) {
		content, err := os.ReadFile("/proc/self/io")
		if err != nil {
			t.Skip("this kernel does not count: " + err.Error())
		}
		_, err = fmt.Sscanf(string(content[bytes.Index(content, []byte("read_bytes")):]), "read_bytes: %d\nwrite_bytes: %d", &read, &written)
		require.NoError(t, err)
		return read, written
	}
	everyWay(t, func(t *testing.T, open func(handle, int) (way, error)) {
		file, lanes := aFile(t, 16)
		w, err := open(file.handle, deepest)
		require.NoError(t, err)
		defer w.close()
		for _, deed := range []speed.Deed{speed.Write, speed.Read} {
			c := &course{kind: speed.Kind{Access: speed.Sequential, Deed: deed, BlockBytes: Block, Depth: 8}, blocks: 16, most: 48, stopped: new(atomic.Bool)}
			readBefore, writtenBefore := counted()
			_, err := c.through(w, lanes, 0)
			require.NoError(t, err)
			read, written := counted()
			got := map[speed.Deed]int64{speed.Read: read - readBefore, speed.Write: written - writtenBefore}[deed]
			assert.InDelta(t, 48*Block, got, Block, deed)
		}
	})
}

func TestFileIsDirectAndHasNoName(t *testing.T) {
	dir := onADrive(t)
	file, err := makeFile(dir)
	require.NoError(t, err)
	check := func() {
		flags, err := unix.FcntlInt(uintptr(file.handle), unix.F_GETFL, 0)
		require.NoError(t, err)
		assert.NotZero(t, flags&unix.O_DIRECT)
		var stat unix.Stat_t
		require.NoError(t, unix.Fstat(file.handle, &stat))
		assert.Zero(t, stat.Nlink)
		assert.EqualValues(t, 0o600, stat.Mode&0o777)
		left, err := os.ReadDir(dir)
		require.NoError(t, err)
		assert.Empty(t, left)
	}
	check()
	require.NoError(t, file.close())

	folder, err := unix.Open(dir, unix.O_RDONLY|unix.O_DIRECTORY, 0)
	require.NoError(t, err)
	defer unix.Close(folder)
	fd, err := madeNameless(folder, dir) // as where a filesystem has no files without a name
	require.NoError(t, err)
	file = &target{handle: fd, path: dir}
	require.NoError(t, file.direct())
	check()
	require.NoError(t, file.close())
}

func TestMeasureAFolder(t *testing.T) {
	dir := onADrive(t)
	require.NoError(t, os.WriteFile(filepath.Join(dir, "kept"), []byte("kept"), 0o600))
	link := filepath.Join(t.TempDir(), "link")
	require.NoError(t, os.Symlink(dir, link))
	var told []string
	r, err := Measure(t.Context(), folder(link), func(text string) {
		told = append(told, text)
		left, err := os.ReadDir(dir)
		require.NoError(t, err)
		assert.Len(t, left, 1)
	})
	require.NoError(t, err)
	r.Program = "1.4.0"
	content, err := r.Encode()
	require.NoError(t, err)
	_, err = speed.Decode(content)
	require.NoError(t, err)
	assert.Len(t, r.Series, 6)
	assert.LessOrEqual(t, r.Method.Written, folder(link).MostWritten())
	assert.GreaterOrEqual(t, r.Method.Written, int64(LeastBytes))
	assert.Contains(t, strings.Join(told, "\n"), "run 2 of 2, random write, 4 KiB, depth 32: ")
	assert.Zero(t, *r.Around.CachedPercent)
	assert.Zero(t, *r.Around.ZerosPercent)
	for _, g := range r.Gaps {
		assert.NotContains(t, g.Fact, "depth")
	}
	kept, err := os.ReadFile(filepath.Join(dir, "kept"))
	require.NoError(t, err)
	assert.Equal(t, "kept", string(kept))
}

// The name of the drive and the kind of the filesystem, as util-linux tells them.
func TestDriveAsOthersNameIt(t *testing.T) {
	dir := onADrive(t)
	ask := func(program string, arguments ...string) []string {
		said, err := exec.Command(program, arguments...).Output()
		if err != nil {
			outside.Missing(t, fmt.Sprintf("%s: %v", program, err))
		}
		return strings.Fields(string(said))
	}
	found := ask("findmnt", "--noheadings", "--output", "FSTYPE,SOURCE", "--target", dir)
	file, err := makeFile(dir)
	require.NoError(t, err)
	defer file.close()
	ctx, cancel := context.WithCancel(t.Context())
	cancel() // nothing is waited for
	o := lookAround(ctx, folder(dir), file)
	assert.Equal(t, found[0], o.target.Filesystem)
	if !strings.HasPrefix(found[1], "/dev/") {
		assert.Empty(t, o.target.Block)
		return
	}
	above := ask("lsblk", "--noheadings", "--inverse", "--list", "--output", "NAME", strings.Split(found[1], "[")[0])
	assert.Equal(t, above[len(above)-1], o.target.Block)
	size := ask("lsblk", "--noheadings", "--nodeps", "--bytes", "--output", "SIZE", "/dev/"+o.target.Block)
	assert.Equal(t, size[0], strconv.FormatInt(o.target.Drive.SizeBytes, 10))
}

// How long it still takes is told: by the runs that are left, and while the file is
// filled by the pace of that as well.
func TestTellsWhatIsLeft(t *testing.T) {
	dir := onADrive(t)
	ctx, cancel := context.WithCancel(t.Context())
	a := folder(dir)
	a.Runs, a.Lasts = 3, 100*time.Second
	left := regexp.MustCompile(`^filling the file, (\d+) of \d+ MiB(?:; left about (\S+))?$`)
	filled := 0
	_, err := Measure(ctx, a, func(text string) {
		found := left.FindStringSubmatch(text)
		if found == nil {
			assert.NotContains(t, text, "filling")
			return
		}
		filled++
		if found[1] == "0" {
			assert.Empty(t, found[2])
			return
		}
		takes, err := time.ParseDuration(found[2])
		require.NoError(t, err, text)
		assert.GreaterOrEqual(t, takes, 3*time.Duration(len(a.kinds()))*100*time.Second)
		cancel()
	})
	assert.ErrorIs(t, err, errStopped)
	assert.Greater(t, filled, 1)

	m := measurement{asked: Asked{Lasts: 5 * time.Second}}
	assert.Equal(t, "; left about 1m35s", andLeft(m.lasting(19)))
	assert.Empty(t, andLeft(m.lasting(0)), "the last")
}

func TestStopped(t *testing.T) {
	dir := onADrive(t)
	ctx, cancel := context.WithCancel(t.Context())
	_, err := Measure(ctx, folder(dir), func(text string) {
		if strings.HasPrefix(text, "run 1 of 2") {
			cancel()
		}
	})
	var p Problem
	require.ErrorAs(t, err, &p)
	assert.ErrorIs(t, err, errStopped)
	left, err := os.ReadDir(dir)
	require.NoError(t, err)
	assert.Empty(t, left)
}

func TestSleepVoidsAMeasurement(t *testing.T) {
	file, lanes := aFile(t, 8)
	_, slept := sinceBoot()
	w, err := openThreads(file.handle, deepest)
	require.NoError(t, err)
	m := measurement{asked: folder("/srv"), target: file, lanes: lanes, way: w, tell: func(string) {}, slept: slept}
	_, err = m.once(speed.Kinds[0], 0)
	require.NoError(t, err)
	m.slept -= mostSlept * 2
	_, err = m.once(speed.Kinds[0], 0)
	assert.ErrorContains(t, err, "the machine slept for ")
}

func TestBlanksAreCounted(t *testing.T) {
	file, lanes := aFile(t, 8) // allocated, never written
	w, err := openThreads(file.handle, deepest)
	require.NoError(t, err)
	m := measurement{asked: folder("/srv"), target: file, lanes: lanes, way: w, tell: func(string) {}}
	_, m.slept = sinceBoot()
	_, err = m.once(speed.Kinds[0], 0)
	require.NoError(t, err)
	assert.Positive(t, m.read)
	assert.Equal(t, m.read, m.blank)
}

// A kernel that refuses a way is measured by the next, which is told.
func TestNextWay(t *testing.T) {
	file, lanes := aFile(t, 8)
	was := ways
	defer func() { ways = was }()
	refused := func(err error) func(handle, int) (way, error) {
		return func(handle, int) (way, error) { return nil, fmt.Errorf("set up: %w", err) }
	}
	ways[0].open = refused(unix.EPERM)
	w, gaps, err := openWay(file, lanes)
	require.NoError(t, err)
	assert.Equal(t, "libaio", w.name())
	assert.Equal(t, []facts.Gap{{Fact: "measuring through io_uring", Path: file.path, Reason: "set up: operation not permitted"}}, gaps)

	ways[0].open, ways[1].open = refused(unix.EIO), was[1].open
	_, _, err = openWay(file, lanes)
	assert.ErrorIs(t, err, unix.EIO, "an error of the drive is none of the way")

	for i := range ways {
		ways[i].open = refused(unix.ENOSYS)
	}
	_, _, err = openWay(file, lanes)
	assert.ErrorContains(t, err, "in no way that is known")
}

func TestWrongFolders(t *testing.T) {
	dir := t.TempDir()
	file := filepath.Join(dir, "file")
	require.NoError(t, os.WriteFile(file, []byte("kept"), 0o600))
	for path, says := range map[string]string{
		filepath.Join(dir, "none"): "open folder " + filepath.Join(dir, "none") + ": no such file or directory",
		file:                       "not a directory",
		"/dev/shm":                 "is in memory",
		"/proc":                    "folder /proc",
		"/sys/kernel":              "folder /sys/kernel",
	} {
		_, err := Measure(t.Context(), folder(path), func(string) {})
		var p Problem
		require.ErrorAs(t, err, &p, path)
		assert.ErrorContains(t, err, says)
		assert.NotEmpty(t, p.Next)
	}
	kept, err := os.ReadFile(file)
	require.NoError(t, err)
	assert.Equal(t, "kept", string(kept))
}
