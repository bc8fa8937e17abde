package image

import (
	"bytes"
	"encoding/binary"
	"errors"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// memory is a file that is only bytes.
type memory struct{ *bytes.Reader }

func (memory) Close() error { return nil }
func (m memory) Stat() (fs.FileInfo, error) {
	return seen{m.Size()}, nil
}

type seen struct{ size int64 }

func (seen) Name() string       { return "" }
func (s seen) Size() int64      { return s.size }
func (seen) Mode() fs.FileMode  { return 0 }
func (seen) ModTime() time.Time { return time.Time{} }
func (seen) IsDir() bool        { return false }
func (seen) Sys() any           { return nil }

// inMemory opens from a map, and nothing else.
func inMemory(all map[string][]byte) func(string) (File, error) {
	return func(path string) (File, error) {
		content, ok := all[path]
		if !ok {
			return nil, fs.ErrNotExist
		}
		return memory{bytes.NewReader(content)}, nil
	}
}

// tiny is a qcow2 file of version 3 by the words of docs/interop/qcow2.txt:
// clusters of 512 bytes, a disk of three, of which the first is data, the
// second zeroes, the third not there.
func tiny() []byte {
	be := binary.BigEndian
	b := make([]byte, 4*512)
	copy(b, "QFI\xfb")
	be.PutUint32(b[4:], 3)
	be.PutUint32(b[20:], 9)
	be.PutUint64(b[24:], 3*512)
	be.PutUint32(b[36:], 1)
	be.PutUint64(b[40:], 512)
	be.PutUint32(b[100:], 104)
	be.PutUint64(b[512:], 1<<63|1024)  // L1
	be.PutUint64(b[1024:], 1<<63|1536) // L2
	be.PutUint64(b[1032:], 1)
	copy(b[1536:], bytes.Repeat([]byte("d"), 512))
	return b
}

// over makes tiny stand over a backing file.
func over(name, format string) []byte {
	b := tiny()
	be := binary.BigEndian
	at := 104
	if format != "" {
		be.PutUint32(b[at:], 0xe2792aca)
		be.PutUint32(b[at+4:], uint32(len(format)))
		copy(b[at+8:], format)
		at += 8 + (len(format)+7)/8*8
	}
	at += 8
	be.PutUint64(b[8:], uint64(at))
	be.PutUint32(b[16:], uint32(len(name)))
	copy(b[at:], name)
	return b
}

func TestTiny(t *testing.T) {
	i, err := Open("/a/top", "qcow2", inMemory(map[string][]byte{"/a/top": over("b/base", "raw"), "/a/b/base": bytes.Repeat([]byte("r"), 1200)}))
	require.NoError(t, err)
	defer i.Close()
	got := make([]byte, 3*512)
	n, err := i.ReadAt(got, 0)
	require.NoError(t, err)
	want := slicesOf('d', 512, 0, 512, 'r', 176, 0, 336) // the raw file ends there
	assert.Equal(t, 3*512, n)
	assert.Equal(t, want, got)
	n, err = i.ReadAt(got[:600], 2*512)
	assert.ErrorIs(t, err, io.EOF)
	assert.Equal(t, 512, n)
	chain := i.Chain()
	require.Len(t, chain, 2)
	assert.Equal(t, []string{"/a/top", "qcow2", "/a/b/base", "raw"}, []string{chain[0].Path, chain[0].Format, chain[1].Path, chain[1].Format})
	assert.EqualValues(t, 1200, chain[1].SizeBytes)
	var extents []Extent
	require.NoError(t, i.Extents(t.Context(), func(e Extent) error { extents = append(extents, e); return nil }))
	assert.Equal(t, []Extent{{0, 512, false, false}, {512, 512, true, false}, {1024, 512, false, false}}, extents)
	stop := errors.New("stop")
	assert.ErrorIs(t, i.Extents(t.Context(), func(Extent) error { return stop }), stop)
}

func slicesOf(pairs ...int) []byte {
	var all []byte
	for i := 0; i < len(pairs); i += 2 {
		all = append(all, bytes.Repeat([]byte{byte(pairs[i])}, pairs[i+1])...)
	}
	return all
}

func TestRefused(t *testing.T) {
	be := binary.BigEndian
	with := func(change func(b []byte)) []byte {
		b := tiny()
		change(b)
		return b
	}
	long := map[string][]byte{"/top": over("A", "qcow2")}
	for i := range 40 {
		long["/"+string(rune('A'+i))] = over(string(rune('B'+i)), "qcow2")
	}
	for name, c := range map[string]struct {
		all  map[string][]byte
		says string
	}{
		"missing":          {nil, "open image /top: file does not exist"},
		"encrypted":        {map[string][]byte{"/top": with(func(b []byte) { be.PutUint32(b[32:], 2) })}, "encrypted"},
		"data elsewhere":   {map[string][]byte{"/top": with(func(b []byte) { b[79] |= 4 })}, "external data file"},
		"unknown feature":  {map[string][]byte{"/top": with(func(b []byte) { b[79] |= 32 })}, "not known (bits 0x20)"},
		"version 4":        {map[string][]byte{"/top": with(func(b []byte) { b[7] = 4 })}, "version 4"},
		"clusters of 4M":   {map[string][]byte{"/top": with(func(b []byte) { b[23] = 22 })}, "clusters of 2^22"},
		"cut short":        {map[string][]byte{"/top": tiny()[:90]}, "cut short"},
		"no L1 table":      {map[string][]byte{"/top": tiny()[:512]}, "is not in the file"},
		"L1 too small":     {map[string][]byte{"/top": with(func(b []byte) { b[39] = 0 })}, "the disk needs 1"},
		"too large":        {map[string][]byte{"/top": with(func(b []byte) { b[24] = 0xff })}, "a disk of"},
		"compression":      {map[string][]byte{"/top": with(func(b []byte) { b[79] |= 8; b[103] = 112; b[104] = 9 })}, "compressed in a way that is not known (9)"},
		"protocol":         {map[string][]byte{"/top": over("nbd:unix:/x", "raw")}, "named by a protocol"},
		"format not said":  {map[string][]byte{"/top": over("base", ""), "/base": nil}, "does not say of which format"},
		"foreign format":   {map[string][]byte{"/top": over("base", "vmdk"), "/base": nil}, `of the format "vmdk"`},
		"base is missing":  {map[string][]byte{"/top": over("base", "raw")}, "backing file of /top: file does not exist"},
		"base is no qcow2": {map[string][]byte{"/top": over("base", "qcow2"), "/base": make([]byte, 512)}, "no qcow2 header"},
		"loop":             {map[string][]byte{"/top": over("base", "qcow2"), "/base": over("./top", "qcow2")}, "behind itself"},
		"long chain":       {long, "longer than 32"},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := Open("/top", "qcow2", inMemory(c.all))
			assert.ErrorContains(t, err, c.says)
		})
	}
}

// Tables that point to nowhere are told when they are read.
func TestDamagedTables(t *testing.T) {
	be := binary.BigEndian
	for name, change := range map[string]func(b []byte){
		"L2 table behind the end":   func(b []byte) { be.PutUint64(b[512:], 1<<20) },
		"data behind the end":       func(b []byte) { be.PutUint64(b[1024:], 1<<20) },
		"compressed behind the end": func(b []byte) { be.PutUint64(b[1024:], 1<<62|1<<20) },
		"compressed is no deflate":  func(b []byte) { be.PutUint64(b[1024:], 1<<62|1536) },
		"zeroes in version 2":       func(b []byte) { be.PutUint64(b[1024:], 1); b[7] = 2 },
	} {
		t.Run(name, func(t *testing.T) {
			b := tiny()
			change(b)
			i, err := Open("/top", "qcow2", inMemory(map[string][]byte{"/top": b}))
			require.NoError(t, err)
			_, err = i.ReadAt(make([]byte, 512), 0)
			assert.ErrorContains(t, err, "read image /top at byte 0 of the disk")
		})
	}
}

func TestMarks(t *testing.T) {
	b := tiny()
	b[79] |= 3
	i, err := Open("/top", "qcow2", inMemory(map[string][]byte{"/top": b}))
	require.NoError(t, err)
	assert.True(t, i.Dirty())
	assert.True(t, i.Corrupt())
	i, err = Open("/top", "qcow2", inMemory(map[string][]byte{"/top": tiny()}))
	require.NoError(t, err)
	assert.False(t, i.Dirty())
	assert.False(t, i.Corrupt())
}

// Neither is opened: a pipe would be waited at, a device might act.
func TestNoRegularFile(t *testing.T) {
	dir := t.TempDir()
	pipe, link := filepath.Join(dir, "fifo"), filepath.Join(dir, "link")
	require.NoError(t, exec.Command("mkfifo", pipe).Run())
	require.NoError(t, os.Symlink("/dev/zero", link))
	for path, kind := range map[string]string{dir: "a folder", pipe: "a pipe", link: "a character device", "/proc/self/fd": "a folder"} {
		for _, format := range []string{"raw", "qcow2"} {
			_, err := Open(path, format, OpenFile)
			assert.ErrorContains(t, err, "is no regular file but "+kind)
		}
	}
}

// A guest that has a raw disk can write anything to its beginning.
func TestRawIsRawWhateverItHolds(t *testing.T) {
	opened := []string{}
	content := over("/etc/shadow", "raw")
	i, err := Open("/top", "raw", func(path string) (File, error) {
		opened = append(opened, path)
		return inMemory(map[string][]byte{"/top": content})(path)
	})
	require.NoError(t, err)
	got := make([]byte, len(content))
	_, err = i.ReadAt(got, 0)
	require.NoError(t, err)
	assert.Equal(t, content, got)
	assert.Equal(t, []string{"/top"}, opened)
	_, err = Open("/top", "", inMemory(map[string][]byte{"/top": content}))
	assert.ErrorContains(t, err, `of the format ""`)
}

func TestStampChangesWithAnyFileOfTheChain(t *testing.T) {
	dir := t.TempDir()
	top, base := filepath.Join(dir, "top"), filepath.Join(dir, "base")
	require.NoError(t, os.WriteFile(top, over("base", "raw"), 0o600))
	require.NoError(t, os.WriteFile(base, make([]byte, 4096), 0o600))
	i, err := Open(top, "qcow2", OpenFile)
	require.NoError(t, err)
	defer i.Close()
	first := i.Stamp()
	assert.Equal(t, first, i.Stamp())
	for n, path := range []string{base, top} {
		require.NoError(t, os.Chtimes(path, time.Time{}, time.Unix(1700000000, int64(n+1))))
		assert.NotEqual(t, first, i.Stamp())
		first = i.Stamp()
	}
	again, err := Open(top, "qcow2", OpenFile)
	require.NoError(t, err)
	defer again.Close()
	assert.Equal(t, first, again.Stamp(), "another look at the same files")
}

// QEMU itself holds the image for writing, and is kept out while we hold it.
func TestHold(t *testing.T) {
	dir := t.TempDir()
	base, top := filepath.Join(dir, "base"), filepath.Join(dir, "top")
	qemuTool(t, "qemu-img", "create", "-q", "-f", "qcow2", base, "1M")
	qemuTool(t, "qemu-img", "create", "-q", "-f", "qcow2", "-b", "base", "-F", "qcow2", top, "1M")
	for _, path := range []string{top, base} {
		i, err := Open(top, "qcow2", OpenFile)
		require.NoError(t, err)
		writer := exec.Command("qemu-io", "-f", "qcow2", path)
		to, err := writer.StdinPipe()
		require.NoError(t, err)
		from, err := writer.StdoutPipe()
		require.NoError(t, err)
		require.NoError(t, writer.Start())
		_, err = from.Read(make([]byte, 1)) // its prompt: it has the image open
		require.NoError(t, err)
		err = i.Hold()
		assert.ErrorIs(t, err, ErrWritten)
		assert.ErrorContains(t, err, path)
		require.NoError(t, to.Close())
		require.NoError(t, writer.Wait())
		require.NoError(t, i.Close())
	}
	i, err := Open(top, "qcow2", OpenFile)
	require.NoError(t, err)
	require.NoError(t, i.Hold())
	again, err := Open(top, "qcow2", OpenFile)
	require.NoError(t, err)
	require.NoError(t, again.Hold(), "readers bear each other")
	require.NoError(t, again.Close())
	out, err := tried(t, "qemu-io", "-f", "qcow2", "-c", "write 0 512", top)
	assert.Error(t, err)
	assert.Contains(t, string(out), `Failed to get "write" lock`)
	qemuTool(t, "qemu-img", "compare", top, base) // reading goes on
	require.NoError(t, i.Close())
	qemuTool(t, "qemu-io", "-f", "qcow2", "-c", "write 0 512", top)
}

// FuzzOpen reads mutants of headers and tables: whatever is in them, there is
// an answer or an error.
func FuzzOpen(f *testing.F) {
	f.Add(tiny())
	f.Add(over("base", "raw"))
	extended := tiny()
	extended[79], extended[23] = 16, 14
	f.Add(extended)
	packed := tiny()
	binary.BigEndian.PutUint64(packed[1024:], 1<<62|1536)
	f.Add(packed)
	zstd := bytes.Clone(packed)
	zstd[79], zstd[103], zstd[104] = 8, 112, 1
	f.Add(zstd)
	f.Fuzz(func(t *testing.T, content []byte) {
		i, err := Open("/top", "qcow2", inMemory(map[string][]byte{"/top": content, "/base": bytes.Repeat([]byte("r"), 700)}))
		if err != nil {
			return
		}
		defer i.Close()
		size := int64(i.SizeBytes())
		require.Zero(t, size%512)
		part := make([]byte, 4096)
		for _, at := range []int64{0, 1000, size / 2, size - 700, size} {
			if at < 0 {
				continue
			}
			n, err := i.ReadAt(part, at)
			if err == nil {
				require.Equal(t, len(part), n)
			}
		}
		if size > 1<<24 {
			return
		}
		end := int64(0)
		err = i.Extents(t.Context(), func(e Extent) error {
			require.Equal(t, end, e.Offset)
			require.Positive(t, e.Length)
			end += e.Length
			return nil
		})
		if err == nil {
			require.Equal(t, size, end)
		}
	})
}
