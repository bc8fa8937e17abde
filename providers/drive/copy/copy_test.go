package copy

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"lendkeep/providers/drive/image"
	"lendkeep/testdata/outside"
)

const mark = "lendkeep: unfinished copy test-1\n"

// disk is a drive in memory that tells lies on demand. What was written is on
// it for good only after Sync.
type disk struct {
	mu      sync.Mutex
	content []byte // as reads have it
	safe    []byte // as a power cut leaves it
	writes  int
	reads   int
	dead    bool
	deed    func(d *disk, number int, offset, length int64) (done int64, err error) // of the nth write or zeroing
	read    func(number int, offset int64) error
	onSync  func() error
}

func (d *disk) SizeBytes() int64 { return int64(len(d.content)) }

var errCut = errors.New("power cut")

func (d *disk) WriteAt(p []byte, offset int64) (int, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	done, err := d.change(offset, int64(len(p)))
	copy(d.content[offset:], p[:done])
	if err == errLost {
		return len(p), nil
	}
	return int(done), err
}

var errLost = errors.New("written, it says")

func (d *disk) Zero(offset, length int64) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	done, err := d.change(offset, length)
	clear(d.content[offset : offset+done])
	if err == errLost {
		return nil
	}
	return err
}

func (d *disk) change(offset, length int64) (int64, error) {
	if d.dead {
		return 0, errCut
	}
	d.writes++
	if d.deed == nil {
		return length, nil
	}
	return d.deed(d, d.writes, offset, length)
}

func (d *disk) ReadAt(p []byte, offset int64) (int, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.dead {
		return 0, errCut
	}
	d.reads++
	if d.read != nil {
		if err := d.read(d.reads, offset); err != nil {
			return 0, err
		}
	}
	return copy(p, d.content[offset:]), nil
}

func (d *disk) Sync() error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.dead {
		return errCut
	}
	if d.onSync != nil {
		if err := d.onSync(); err != nil {
			return err
		}
	}
	copy(d.safe, d.content)
	return nil
}

// cut is a power cut: of what was not synced each grain may be there or not.
func (d *disk) cut(random *rand.Rand) {
	for at := 0; at < len(d.safe); at += grain {
		if random.IntN(2) == 0 {
			copy(d.safe[at:min(at+grain, len(d.safe))], d.content[at:])
		}
	}
	copy(d.content, d.safe)
	*d = disk{content: d.content, safe: d.safe}
}

// dirty gives a drive that holds something else already.
func dirty(size int) *disk {
	d := &disk{content: bytes.Repeat([]byte("old "), size/4+1)[:size]}
	d.safe = bytes.Clone(d.content)
	return d
}

func blank(size int) *disk { return &disk{content: make([]byte, size), safe: make([]byte, size)} }

// source makes a raw image with data, holes, zeroes that are data, and small
// gaps, and gives its bytes.
func source(t testing.TB, size int64) (*image.Image, []byte) {
	path := filepath.Join(t.TempDir(), "image")
	file, err := os.Create(path)
	require.NoError(t, err)
	defer file.Close()
	require.NoError(t, file.Truncate(size))
	random := rand.New(rand.NewPCG(1, uint64(size)))
	part := make([]byte, 256<<10)
	for i := range part {
		part[i] = byte(random.IntN(255) + 1)
	}
	for at := int64(0); at < size; at += 1 << 20 {
		switch at >> 20 % 7 {
		case 0, 1, 5:
			_, err = file.WriteAt(part[:min(size-at, int64(len(part)))], at)
		case 2: // only zeroes
			_, err = file.WriteAt(make([]byte, min(size-at, 1<<20)), at)
		case 3: // with gaps
			for to := at; to < min(at+1<<20, size-8192); to += 16 << 10 {
				_, err = file.WriteAt(part[:5000], to)
			}
		}
		require.NoError(t, err)
	}
	require.NoError(t, file.Sync())
	want, err := os.ReadFile(path)
	require.NoError(t, err)
	i, err := image.Open(path, "raw", image.OpenFile)
	require.NoError(t, err)
	t.Cleanup(func() { _ = i.Close() })
	want = append(want, make([]byte, int(i.SizeBytes())-len(want))...)
	return i, want
}

// inSmallSteps makes a small image go through many stretches.
func inSmallSteps(t testing.TB) {
	before := pace
	pace.stretch, pace.record = 4<<20, 8<<20
	t.Cleanup(func() { pace = before })
}

func options(t testing.TB) Options {
	return Options{Mark: mark, Record: filepath.Join(t.TempDir(), "test-1.copy"), Drive: "RL-4410-0073/1", From: "image", To: "drive"}
}

func TestCopy(t *testing.T) {
	for _, size := range []int64{512, 4096, 1 << 20, 1<<20 + 512, 3<<20 + 1536, 19<<20 + 4096, 133 << 20} {
		for name, to := range map[string]*disk{"blank": blank(int(size) + 8192), "dirty": dirty(int(size) + 8192)} {
			t.Run(fmt.Sprintf("%s, %d bytes", name, size), func(t *testing.T) {
				i, want := source(t, size)
				behind := bytes.Clone(to.content[size:])
				o := options(t)
				var last, all uint64
				o.Watch = func(_ string, done, total uint64) {
					assert.GreaterOrEqual(t, done, last)
					last, all = done, total
				}
				o.Watch("", 0, 0)
				require.NoError(t, Copy(t.Context(), i, to, o))
				assert.True(t, bytes.Equal(want, to.safe[:size]))
				assert.Equal(t, behind, to.safe[size:], "what is behind the image is left alone")
				assert.EqualValues(t, size, last)
				assert.EqualValues(t, size, all)

				assert.NoFileExists(t, o.Record)

				require.NoError(t, Copy(t.Context(), i, to, options(t)), "once more")
				assert.True(t, bytes.Equal(want, to.safe[:size]))
			})
		}
	}
}

// On a blank drive nothing is written where the image has zeroes.
func TestZeroesAreNotWrittenToABlankDrive(t *testing.T) {
	i, want := source(t, 21<<20)
	to := blank(21 << 20)
	written := int64(0)
	to.deed = func(_ *disk, _ int, offset, length int64) (int64, error) {
		if offset > 0 {
			written += length
		}
		return length, nil
	}
	require.NoError(t, Copy(t.Context(), i, to, options(t)))
	assert.Equal(t, want, to.safe)
	assert.Less(t, written, int64(9<<20), "of 21 MiB less than 9 are not zeroes")
}

// A power cut at every single write, sync and read; after it either the whole
// image is on the drive or no table of it; going on makes it whole.
func TestCutAtEveryCall(t *testing.T) {
	inSmallSteps(t)
	i, want := source(t, 9<<20)
	for _, kind := range []string{"write", "half a write", "sync", "read"} {
		for number := 1; ; number++ {
			to := dirty(9<<20 + 4096)
			o, syncs := options(t), 0
			switch kind {
			case "write", "half a write":
				to.deed = func(d *disk, n int, _, length int64) (int64, error) {
					if n != number {
						return length, nil
					}
					d.dead = true
					if kind == "write" {
						return 0, errCut
					}
					return length / 2, errCut
				}
			case "sync":
				to.onSync = func() error {
					if syncs++; syncs == number {
						to.dead = true
						return errCut
					}
					return nil
				}
			case "read":
				to.read = func(n int, _ int64) error {
					if n == number {
						to.dead = true
						return errCut
					}
					return nil
				}
			}
			err := Copy(t.Context(), i, to, o)
			if err == nil {
				require.Greater(t, number, 3, "no call was cut off")
				break
			}
			require.ErrorIs(t, err, errCut)
			to.cut(rand.New(rand.NewPCG(9, uint64(number))))
			if bytes.Equal(want[:512], to.safe[:512]) {
				require.True(t, bytes.Equal(want[grain:], to.safe[grain:len(want)]), "%s %d: a table and not all behind it", kind, number)
			}
			require.NoError(t, Copy(t.Context(), i, to, o))
			require.True(t, bytes.Equal(want, to.safe[:len(want)]), "%s %d", kind, number)
		}
	}
}

// What the drive says it wrote and did not is found, with its byte.
func TestLostWrites(t *testing.T) {
	inSmallSteps(t)
	i, want := source(t, 9<<20)
	for number := 1; ; number++ {
		to := dirty(9 << 20)
		at := int64(-1)
		to.deed = func(_ *disk, n int, offset, length int64) (int64, error) {
			if n != number {
				return length, nil
			}
			at = offset
			return length - 512, errLost // the last sector stays what it was
		}
		err := Copy(t.Context(), i, to, options(t))
		if at < 0 {
			require.NoError(t, err)
			require.Greater(t, number, 5)
			break
		}
		if err == nil { // the lost sector was not what it should be, or it was written once more
			require.True(t, bytes.Equal(want, to.content))
			continue
		}
		require.ErrorContains(t, err, "the drive did not keep what was written")
		require.Regexp(t, `byte \d+ of the drive reads as 0x[0-9a-f]+, the image has 0x`, err.Error())
	}
}

// A single bit that turns between writing and reading back is found.
func TestFlippedBit(t *testing.T) {
	inSmallSteps(t)
	i, _ := source(t, 9<<20)
	for at := int64(5); at < 9<<20; at += 300007 {
		to, syncs := dirty(9<<20), int64(0)
		to.onSync = func() error {
			// The mark, the stretches, the head without its first grain, that.
			syncs++
			if at >= headBytes && syncs == 2+at/pace.stretch || at < headBytes && at >= grain && syncs == 5 || at < grain && syncs == 6 {
				to.content[at] ^= 1
			}
			return nil
		}
		err := Copy(t.Context(), i, to, options(t))
		require.ErrorContains(t, err, fmt.Sprintf("byte %d of the drive reads as", at), "bit of byte %d", at)
	}
}

func TestErrorsNameTheByte(t *testing.T) {
	i, _ := source(t, 9<<20)
	for name, c := range map[string]struct {
		err  error
		says string
	}{
		"EIO":    {unix.EIO, "input/output error"},
		"ENOSPC": {unix.ENOSPC, "no space left on device"},
		"short":  {nil, "short write"},
	} {
		t.Run(name, func(t *testing.T) {
			to := blank(9 << 20)
			to.deed = func(_ *disk, _ int, offset, length int64) (int64, error) {
				if offset == 5<<20 {
					return 1024, c.err
				}
				return length, nil
			}
			err := Copy(t.Context(), i, to, options(t))
			assert.ErrorContains(t, err, fmt.Sprintf("write the drive at byte %d: %s", 5<<20+1024, c.says))
		})
	}
	to := blank(9 << 20)
	to.read = func(_ int, offset int64) error {
		if offset == 4<<20 {
			return unix.EIO
		}
		return nil
	}
	assert.ErrorContains(t, Copy(t.Context(), i, to, options(t)), fmt.Sprintf("read the drive at byte %d: input/output error", 4<<20))
}

// Going on writes only what is left; a record of anything else starts anew.
func TestResume(t *testing.T) {
	inSmallSteps(t)
	const size = 20 << 20
	i, want := source(t, size)
	o := options(t)
	begun := blank(size)
	begun.deed = func(d *disk, _ int, offset, length int64) (int64, error) {
		if offset >= 18<<20 {
			return 0, unix.EIO
		}
		return length, nil
	}
	require.Error(t, Copy(t.Context(), i, begun, o))
	record, err := os.ReadFile(o.Record)
	require.NoError(t, err)
	require.Contains(t, string(record), `{"at":`)
	begin := func(t *testing.T, o Options, record string, change func(d *disk)) int64 {
		to := &disk{content: bytes.Clone(begun.content), safe: bytes.Clone(begun.safe)}
		change(to)
		lowest := int64(size)
		to.deed = func(_ *disk, _ int, offset, length int64) (int64, error) {
			if offset >= headBytes {
				lowest = min(lowest, offset)
			}
			return length, nil
		}
		require.NoError(t, os.WriteFile(o.Record, []byte(record), 0o600))
		require.NoError(t, Copy(t.Context(), i, to, o))
		require.True(t, bytes.Equal(want, to.safe))
		return lowest
	}
	asIs := func(*disk) {}
	other := o
	other.Drive = "RL-4410-0074/1"
	assert.GreaterOrEqual(t, begin(t, o, string(record), asIs), int64(8<<20))
	torn := string(record[:bytes.IndexByte(record, '\n')+9])
	for name, lowest := range map[string]int64{
		"another drive":   begin(t, other, string(record), asIs),
		"no record":       begin(t, o, "", asIs),
		"damaged":         begin(t, o, "x"+string(record), asIs),
		"torn":            begin(t, o, torn, asIs),
		"another content": begin(t, o, string(record), func(d *disk) { clear(d.content); clear(d.safe) }),
	} {
		assert.Less(t, lowest, int64(4<<20), name)
	}
}

func TestImageWrittenMeanwhile(t *testing.T) {
	inSmallSteps(t)
	i, want := source(t, 9<<20)
	to := blank(9 << 20)
	to.onSync = func() error {
		return os.Chtimes(i.Chain()[0].Path, time.Time{}, time.Now().Add(time.Duration(to.writes)*time.Second))
	}
	err := Copy(t.Context(), i, to, options(t))
	assert.ErrorContains(t, err, "the image was written while it was copied")
	assert.Equal(t, []byte(mark), to.safe[:len(mark)])
	assert.NotEqual(t, want[:512], to.safe[:512])
}

func TestRefused(t *testing.T) {
	i, _ := source(t, 9<<20)
	to := blank(9<<20 - 512)
	assert.ErrorContains(t, Copy(t.Context(), i, to, options(t)), "the drive only")
	assert.Zero(t, to.writes)
	empty, _ := source(t, 0)
	assert.ErrorContains(t, Copy(t.Context(), empty, to, options(t)), "the image is empty")
	assert.Zero(t, to.writes)
}

// Cancelled at any call, it comes back with nothing left running.
func TestCancel(t *testing.T) {
	inSmallSteps(t)
	i, want := source(t, 9<<20)
	before := runtime.NumGoroutine()
	for number := 1; ; number++ {
		ctx, cancel := context.WithCancel(t.Context())
		to := blank(9 << 20)
		to.read = func(n int, _ int64) error {
			if n == number {
				cancel()
			}
			return nil
		}
		err := Copy(ctx, i, to, options(t))
		cancel()
		for range 1000 { // one that has given its answer may still be ending
			if runtime.NumGoroutine() <= before {
				break
			}
			time.Sleep(time.Millisecond)
		}
		require.LessOrEqual(t, runtime.NumGoroutine(), before)
		if err == nil {
			require.Greater(t, number, 3)
			require.True(t, bytes.Equal(want, to.safe))
			break
		}
		require.ErrorIs(t, err, context.Canceled)
		require.Equal(t, []byte(mark), to.safe[:len(mark)])
	}
}

// targets are a file and loop devices with both sizes of sectors.
func targets(t *testing.T, size int64, test func(t *testing.T, path string)) {
	for _, sector := range []string{"", "512", "4096"} {
		t.Run("sectors of "+sector, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "target")
			require.NoError(t, os.WriteFile(path, bytes.Repeat([]byte("old "), int(size/4)), 0o600))
			if sector != "" {
				if os.Geteuid() != 0 {
					t.Skip("a loop device takes root")
				}
				out, err := exec.Command("losetup", "--find", "--show", "--sector-size", sector, path).CombinedOutput()
				if err != nil {
					t.Skipf("no loop device is allowed: %s", out)
				}
				path = strings.TrimSpace(string(out))
				defer func() { require.NoError(t, exec.Command("losetup", "--detach", path).Run()) }()
			}
			test(t, path)
		})
	}
}

// QEMU agrees that image and target are the same.
func TestComparedByQEMU(t *testing.T) {
	if _, err := exec.LookPath("qemu-img"); err != nil {
		outside.Missing(t, "qemu-img (Debian: qemu-utils) is not installed")
	}
	for number, create := range [][]string{
		{"-o", "compression_type=zstd"}, {"-o", "cluster_size=4k"}, {"-o", "cluster_size=2M,extended_l2=on"}, {"-o", "compat=0.10"},
	} {
		const size = 37<<20 + 512
		from := filepath.Join(t.TempDir(), "image.qcow2")
		run(t, "qemu-img", append(append([]string{"create", "-q", "-f", "qcow2"}, create...), from, fmt.Sprint(size))...)
		random := rand.New(rand.NewPCG(7, uint64(number)))
		arguments := []string{"-f", "qcow2", "-c", "write -q -P 1 0 4096"}
		for n := range 40 {
			offset := random.Int64N(size/512-1) * 512
			arguments = append(arguments, "-c", fmt.Sprintf("write -q -P %d %d %d", n+1, offset, min(random.Int64N(3000)*512+512, size-offset)))
		}
		run(t, "qemu-io", append(arguments, from)...)
		if number == 0 {
			run(t, "qemu-img", "convert", "-c", "-f", "qcow2", "-O", "qcow2", "-o", create[1], from, from+".packed")
			from += ".packed"
		}
		targets(t, 40<<20, func(t *testing.T, path string) {
			i, err := image.Open(from, "qcow2", image.OpenFile)
			require.NoError(t, err)
			defer i.Close()
			file, err := os.OpenFile(path, os.O_RDWR, 0)
			require.NoError(t, err)
			defer file.Close()
			to, err := Open(file)
			require.NoError(t, err)
			require.NoError(t, Copy(t.Context(), i, to, options(t)))
			require.NoError(t, to.Close())
			compare := exec.Command("qemu-img", "compare", "-f", "qcow2", "-F", "raw", from, path)
			out, _ := compare.CombinedOutput()
			// The target is longer, and not of zeroes there.
			assert.Regexp(t, fmt.Sprintf(`Content mismatch at offset %d!|Images are identical`, i.SizeBytes()), string(out))
			behind := make([]byte, 4096)
			_, err = to.loose.ReadAt(behind, int64(i.SizeBytes()))
			assert.Error(t, err, "closed")
			content, err := os.Open(path)
			require.NoError(t, err)
			defer content.Close()
			_, err = content.ReadAt(behind, int64(i.SizeBytes()))
			require.NoError(t, err)
			assert.Equal(t, bytes.Repeat([]byte("old "), 1024), behind, "what is behind is left alone")
		})
	}
}

// Files without holes are made zeroes by writing, and each way reads as such.
func TestZero(t *testing.T) {
	targets(t, 8<<20, func(t *testing.T, path string) {
		file, err := os.OpenFile(path, os.O_RDWR, 0)
		require.NoError(t, err)
		defer file.Close()
		to, err := Open(file)
		require.NoError(t, err)
		defer to.Close()
		require.NoError(t, to.Zero(1<<20, 5<<20))
		require.NoError(t, to.Zero(512, 1024))
		require.NoError(t, to.Sync())
		got, err := os.ReadFile(path)
		require.NoError(t, err)
		want := bytes.Repeat([]byte("old "), 2<<20)
		clear(want[1<<20 : 6<<20])
		clear(want[512:1536])
		assert.True(t, bytes.Equal(want, got))
		assert.EqualValues(t, 8<<20, to.SizeBytes())
	})
}
