package ntfs

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/testdata/outside"
	"lendkeep/testdata/windows"
)

const hivePath = "Windows/System32/config/SYSTEM"

// filled gives bytes of which every place is another.
func filled(n int) []byte {
	b := make([]byte, n)
	r := rand.New(rand.NewPCG(1, uint64(n)))
	for i := range b {
		b[i] = byte(r.Uint32())
	}
	return b
}

// files are those of a system, with a folder whose index is large.
func files(drivers int) map[string][]byte {
	all := map[string][]byte{hivePath: filled(300_001), "Windows/small": []byte("in the file table"), "Windows/empty": nil, "hiberfil.sys": filled(9000)}
	for i := range drivers {
		all[fmt.Sprintf("Windows/System32/drivers/a driver of a long name, number %d.sys", i)] = []byte("MZ")
	}
	return all
}

func opened(t testing.TB, b []byte) *Volume {
	v, err := Open(bytes.NewReader(b), uint64(len(b)))
	require.NoError(t, err)
	return v
}

func whole(v *Volume, path string) ([]byte, error) {
	f, err := v.Find(strings.Split(path, "/")...)
	if err != nil {
		return nil, err
	}
	return f.Whole(1 << 20)
}

// What is read is what was written, whatever the size of a cluster; ntfs-3g wrote
// it, and its ntfscat reads the same.
func TestReadsFiles(t *testing.T) {
	for _, cluster := range []string{"512", "4096", "65536"} {
		t.Run(cluster, func(t *testing.T) {
			want := files(300)
			path := windows.Volume(t, 24, want, "-c", cluster)
			b, err := os.ReadFile(path)
			require.NoError(t, err)
			v := opened(t, b)
			for name, content := range want {
				got, err := whole(v, name)
				require.NoError(t, err, name)
				assert.True(t, bytes.Equal(content, got), name)
			}
			got, err := whole(v, strings.ToLower(hivePath))
			require.NoError(t, err)
			said, err := exec.Command("ntfscat", path, hivePath).Output()
			require.NoError(t, err)
			assert.True(t, bytes.Equal(said, got))
			for _, name := range []string{"Windows/System32/config/SYSTEM2", "WINNT", "Windows/small/inner", "Windows/System32/drivers/stornvme.sys"} {
				_, err := whole(v, name)
				assert.ErrorIs(t, err, ErrNotThere, name)
			}
			_, err = whole(v, "Windows")
			assert.NotErrorIs(t, err, ErrNotThere)
			f, err := v.Find(strings.Split(hivePath, "/")...)
			require.NoError(t, err)
			for at := uint64(0); at+4 <= 300_001; at += 4099 {
				place, err := f.Place(at, 4)
				if err != nil {
					assert.ErrorContains(t, err, "in a row")
					continue
				}
				assert.Equal(t, want[hivePath][at:at+4], b[place:place+4], at)
			}
			for _, c := range [][2]uint64{{300_000, 4}, {1 << 63, 4}, {0, 0}} {
				_, err = f.Place(c[0], c[1])
				assert.Error(t, err)
			}
		})
	}
}

// A file whose attributes do not fit into its record has a list of those in other
// records, which is followed. Many names make it long, and its content moves.
func TestFollowsLists(t *testing.T) {
	content := filled(400_000)
	path := windows.Volume(t, 8, map[string][]byte{"scattered": content}, "-c", "1024")
	windows.Change(t, path, "sh", "-c", `i=0; while [ $i -lt 40 ]; do ln scattered "another name of the same file, number $i"; i=$((i+1)); done`)
	b, err := os.ReadFile(path)
	require.NoError(t, err)
	v := opened(t, b)
	root, err := v.Record(rootRecord)
	require.NoError(t, err)
	reference, err := root.entry("scattered")
	require.NoError(t, err)
	own, _, err := v.attributes(reference & numberMask)
	require.NoError(t, err)
	list, err := find(own, listKind, "")
	require.NoError(t, err)
	require.NotNil(t, list, "it has one")
	f, err := v.Find("scattered")
	require.NoError(t, err)
	assert.Greater(t, len(f.attributes), len(own))
	got, err := f.Whole(1 << 20)
	require.NoError(t, err)
	assert.True(t, bytes.Equal(content, got))
	_, err = v.Find("another name of the same file, number 39")
	require.NoError(t, err)

	// One that names too few is not believed, nor one that leads to another file.
	for _, damage := range []func(b []byte){
		func(b []byte) { binary.LittleEndian.PutUint16(b[4:], uint16(len(b))) },
		func(b []byte) { b[len(b)-32+18] ^= 1 },
		func(b []byte) { binary.LittleEndian.PutUint16(b[4:], 0) },
	} {
		names := make([]byte, list.size)
		require.NoError(t, v.content(list, names, 0))
		damage(names)
		_, err := v.gathering(reference & numberMask)(append(slices.DeleteFunc(slices.Clone(own), func(a attribute) bool { return a.kind == listKind }),
			attribute{kind: listKind, value: names, size: list.size, used: list.size}))
		assert.Error(t, err)
	}
}

// Runs that stand in several records are one content, when none is missing.
func TestJoinsParts(t *testing.T) {
	part := func(from uint64, runs ...run) attribute {
		return attribute{kind: contentKind, from: from, runs: runs, size: 99}
	}
	first, second, third := part(0, run{at: 10, count: 3}), part(3, run{at: 50, count: 1}, run{at: 20, count: 1}), part(5, run{at: 1, count: 2})
	got, err := joined([]attribute{third, first, {kind: contentKind, name: "stream"}, second})
	require.NoError(t, err)
	require.Len(t, got, 2)
	assert.Equal(t, []run{{at: 10, count: 3}, {at: 50, count: 1}, {at: 20, count: 1}, {at: 1, count: 2}}, got[0].runs)
	for _, parts := range [][]attribute{{first, third}, {second, third}, {first, second, second, third}, {first, {kind: contentKind, name: "stream", from: 3, runs: []run{{at: 1, count: 1}}}}} {
		_, err := joined(parts)
		assert.Error(t, err)
	}
}

// Of what does not stand on the volume as it is no place is told, and what cannot
// be read is not read.
func TestRefuses(t *testing.T) {
	path := windows.Volume(t, 24, map[string][]byte{"small": []byte("resident"), "plain": filled(100_000)})
	windows.Change(t, path, "sh", "-c", `
truncate -s 100000 sparse; printf x | dd of=sparse bs=1 seek=90000 conv=notrunc 2>/dev/null`)
	b, err := os.ReadFile(path)
	require.NoError(t, err)
	v := opened(t, b)
	for name, c := range map[string]struct{ place, read string }{
		"small":  {"kept in the file table", ""},
		"plain":  {"", ""},
		"sparse": {"sparse", ""},
	} {
		f, err := v.Find(strings.Split(name, "/")...)
		require.NoError(t, err, name)
		_, err = f.Place(0, 4)
		says(t, c.place, err, name)
		_, err = f.ReadAt(make([]byte, 4), 0)
		says(t, c.read, err, name)
	}
	// A reparse point leads elsewhere, and so does a folder that is one.
	f, err := v.Find("plain")
	require.NoError(t, err)
	f.attributes = append(f.attributes, attribute{kind: reparseKind})
	_, err = f.ReadAt(make([]byte, 4), 0)
	says(t, "elsewhere", err, "reparse")
	f.folder = true
	_, err = f.entry("x")
	says(t, "leads elsewhere", err, "folder")
	f, err = v.Find("plain")
	require.NoError(t, err)
	for _, flags := range []uint16{1, flagEncrypted} {
		a, err := f.data()
		require.NoError(t, err)
		a.flags = flags
		_, err = f.ReadAt(make([]byte, 4), 0)
		says(t, "compressed or encrypted", err, "flags")
		_, err = f.Place(0, 4)
		says(t, "compressed, encrypted or sparse", err, "flags")
	}
	// Not written in full.
	f, err = v.Find("plain")
	require.NoError(t, err)
	a, err := f.data()
	require.NoError(t, err)
	a.used = 50_000
	_, err = f.Place(0, 4)
	says(t, "were never written", err, "used")
	got, err := f.Whole(1 << 20)
	require.NoError(t, err)
	assert.Equal(t, make([]byte, 50_000), got[50_000:])
	assert.Equal(t, filled(100_000)[:50_000], got[:50_000])
	_, err = f.Whole(99_999)
	assert.ErrorContains(t, err, "more than 99999 are not read")
}

func says(t *testing.T, want string, err error, name string) {
	if want == "" {
		assert.NoError(t, err, name)
		return
	}
	assert.ErrorContains(t, err, want, name)
}

// changed puts other bytes into a copy of a volume, near its structures.
func changed(b []byte, r *rand.Rand) []byte {
	b = bytes.Clone(b)
	for range 1 + r.IntN(3) {
		at := r.IntN(len(b))
		if table := bytes.Index(b, []byte("FILE0")); r.IntN(8) != 0 && table >= 0 {
			at = table + []int{0, 2, 3, 5, 64, 65, 66, 67, 68, 69, 70, 71, 72}[r.IntN(13)]<<10 + r.IntN(400)
		} else if r.IntN(4) == 0 {
			at = r.IntN(84)
		}
		b[at] = byte(r.Uint32())
	}
	return b
}

// On damaged volumes what is read is what ntfscat reads, or nothing; what it
// reads is never told as absent.
func TestNoWrongAnswerOfDamagedVolumes(t *testing.T) {
	if _, err := exec.LookPath("ntfscat"); err != nil {
		outside.Missing(t, "ntfscat (ntfs-3g) is not here")
	}
	good, err := os.ReadFile(windows.Volume(t, 8, files(40)))
	require.NoError(t, err)
	want, err := whole(opened(t, good), hivePath)
	require.NoError(t, err)
	path := filepath.Join(t.TempDir(), "volume")
	r := rand.New(rand.NewPCG(16, 16))
	right, refused, absent := 0, 0, 0
	for range 300 {
		b := changed(good, r)
		var got []byte
		v, err := Open(bytes.NewReader(b), uint64(len(b)))
		if err == nil {
			got, err = whole(v, hivePath)
		}
		if err == nil && bytes.Equal(got, want) {
			right++
			continue
		}
		require.NoError(t, os.WriteFile(path, b, 0o600))
		theirs, said := exec.Command("ntfscat", path, hivePath).Output()
		switch {
		case err == nil:
			assert.True(t, said == nil && bytes.Equal(theirs, got), "ntfscat: %v", said)
		case errors.Is(err, ErrNotThere):
			absent++
			assert.Error(t, said, "ntfscat reads what is told as absent: %v", err)
		default:
			refused++
		}
	}
	t.Logf("%d right, %d refused, %d absent", right, refused, absent)
	assert.NotZero(t, right)
	assert.NotZero(t, refused)
}

func FuzzFind(f *testing.F) {
	good, err := os.ReadFile(windows.Volume(f, 4, map[string][]byte{hivePath: filled(9000)}))
	require.NoError(f, err)
	f.Add(uint32(0x4000), []byte{1})
	f.Fuzz(func(t *testing.T, at uint32, change []byte) {
		b := bytes.Clone(good)
		copy(b[int(at)%len(b):], change)
		v, err := Open(bytes.NewReader(b), uint64(len(b)))
		if err != nil {
			return
		}
		got, err := whole(v, hivePath)
		require.True(t, err == nil || got == nil)
	})
}
