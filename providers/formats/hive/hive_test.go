package hive

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

// services is a hive with enough keys for an index of lists, and every kind of
// value that is read.
func services(n int) windows.Key {
	root := windows.Key{Name: "ROOT"}.With("Select", windows.Number("Current", 1), windows.Number("Default", 1)).
		With(`ControlSet001\Services\stornvme`, windows.Number("Start", 3), windows.Text("ImagePath", `System32\drivers\stornvme.sys`), windows.Value{Name: "Big", Type: 3, Data: make([]byte, 9000)}).
		With(`ControlSet001\Services\stornvme\StartOverride`, windows.Number("0", 3)).
		With(`ControlSet001\Services\größer`, windows.Number("Start", 2))
	var keys []windows.Key
	for i := range n {
		keys = append(keys, windows.Key{Name: fmt.Sprintf("svc%04d", i), Values: []windows.Value{windows.Number("Start", uint32(i%5))}})
	}
	at := &root.Keys[1].Keys[0]
	at.Keys = append(at.Keys, keys...)
	return root
}

func opened(t testing.TB, b []byte) *Hive {
	h, err := Open(bytes.NewReader(b), uint64(len(b)))
	require.NoError(t, err)
	return h
}

// number reads one by its path, the value's name last.
func number(b []byte, path string) (uint32, uint64, error) {
	h, err := Open(bytes.NewReader(b), uint64(len(b)))
	if err != nil {
		return 0, 0, err
	}
	names := strings.Split(path, `\`)
	k, err := h.Find(names[:len(names)-1]...)
	if err != nil {
		return 0, 0, err
	}
	v, err := k.Value(names[len(names)-1])
	if err != nil {
		return 0, 0, err
	}
	return v.Number()
}

func TestReads(t *testing.T) {
	for _, n := range []int{0, 20, 1300} {
		b := windows.Hive(services(n))
		h := opened(t, b)
		require.NoError(t, h.Clean())
		start, at, err := number(b, `controlset001\SERVICES\StorNVMe\start`)
		require.NoError(t, err)
		assert.EqualValues(t, 3, start)
		assert.Equal(t, []byte{3, 0, 0, 0}, b[at:at+4])
		k, err := h.Find("ControlSet001", "Services", "stornvme")
		require.NoError(t, err)
		v, err := k.Value("ImagePath")
		require.NoError(t, err)
		text, err := v.Text()
		require.NoError(t, err)
		assert.Equal(t, `System32\drivers\stornvme.sys`, text)
		_, _, err = v.Number()
		assert.ErrorContains(t, err, `"ImagePath" is no number: type 1`)
		all, err := h.Find("ControlSet001", "Services")
		require.NoError(t, err)
		keys, err := all.Keys()
		require.NoError(t, err)
		assert.Len(t, keys, n+2)
		for _, path := range []string{`ControlSet002\Services`, `ControlSet001\Services\storahci\Start`, `Select\LastKnownGood`} {
			_, _, err := number(b, path)
			assert.ErrorIs(t, err, ErrNotThere, path)
		}
	}
}

func TestWholeness(t *testing.T) {
	good := windows.Hive(services(3))
	change := func(at int, n uint32) []byte {
		b := bytes.Clone(good)
		binary.LittleEndian.PutUint32(b[at:], n)
		windows.Seal(b)
		return b
	}
	for name, b := range map[string][]byte{
		"mark": append([]byte("regg"), good[4:]...), "version": change(20, 2), "minor": change(24, 6), "old": change(24, 2), "type": change(28, 1), "format": change(32, 0),
		"size": change(40, 1<<20), "odd size": change(40, 100), "no bins": change(40, 0), "short": good[:5000], "empty": nil,
	} {
		_, err := Open(bytes.NewReader(b), uint64(len(b)))
		assert.Error(t, err, name)
	}
	for name, b := range map[string][]byte{"not written in full": change(8, 6), "transaction": change(144, 1), "checksum": append(append(bytes.Clone(good[:508]), 0), good[509:]...)} {
		h := opened(t, b)
		assert.ErrorContains(t, h.Clean(), name)
		_, _, err := number(b, `Select\Current`)
		assert.NoError(t, err)
	}
}

// Whatever is not as Windows keeps it is refused, and nothing goes in a circle.
func TestHostileHives(t *testing.T) {
	const path = `ControlSet001\Services\stornvme\Start`
	for name, damage := range map[string]func(h *Hive, b []byte){
		"an index that leads to itself": func(h *Hive, b []byte) {
			k := find(t, h, "ControlSet001", "Services")
			list := b[4096+k.list+4:]
			require.Equal(t, "ri", string(list[:2]))
			binary.LittleEndian.PutUint32(list[4:], k.list)
		},
		"a list of another length": func(h *Hive, b []byte) {
			k := find(t, h, "ControlSet001", "Services")
			binary.LittleEndian.PutUint32(b[4096+k.at+4+20:], k.keys+1)
		},
		"a list that is too long for its cell": func(h *Hive, b []byte) {
			k := find(t, h, "ControlSet001")
			binary.LittleEndian.PutUint16(b[4096+k.list+4+2:], 0xffff)
		},
		"a key that is its own child": func(h *Hive, b []byte) {
			k := find(t, h, "ControlSet001", "Services")
			binary.LittleEndian.PutUint32(b[4096+find(t, h, "ControlSet001").list+4+4:], k.parent)
		},
		"a key of another parent": func(h *Hive, b []byte) {
			k := find(t, h, "ControlSet001", "Services", "stornvme")
			binary.LittleEndian.PutUint32(b[4096+k.at+4+16:], k.at)
		},
		"a wrong hash": func(h *Hive, b []byte) {
			b[4096+find(t, h, "ControlSet001").list+4+4+4] ^= 1
		},
		"a link": func(h *Hive, b []byte) {
			b[4096+find(t, h, "ControlSet001", "Services", "stornvme").at+4+2] |= keyLink
		},
		"too many values": func(h *Hive, b []byte) {
			k := find(t, h, "ControlSet001", "Services", "stornvme")
			binary.LittleEndian.PutUint32(b[4096+k.at+4+36:], 1<<30)
		},
		"a cell that is free": func(h *Hive, b []byte) {
			at := 4096 + find(t, h, "ControlSet001", "Services", "stornvme").at
			binary.LittleEndian.PutUint32(b[at:], -binary.LittleEndian.Uint32(b[at:]))
		},
		"a cell that is cut off": func(h *Hive, b []byte) {
			at := 4096 + find(t, h, "ControlSet001", "Services", "stornvme").at
			binary.LittleEndian.PutUint32(b[at:], uint32(0xfffffff8)) // 8 bytes
		},
		"a cell of no size": func(h *Hive, b []byte) {
			binary.LittleEndian.PutUint32(b[4096+find(t, h, "ControlSet001", "Services", "stornvme").at:], 0)
		},
		"a number of another size": func(h *Hive, b []byte) { b[4096+value(t, h, "Start").cell+4+4] = 2 },
		"a number that is elsewhere": func(h *Hive, b []byte) {
			b[4096+value(t, h, "Start").cell+4+7] = 0
		},
		"a text": func(h *Hive, b []byte) { b[4096+value(t, h, "Start").cell+4+12] = 1 },
		"two values of one name": func(h *Hive, b []byte) {
			list := find(t, h, "ControlSet001", "Services", "stornvme").held
			binary.LittleEndian.PutUint32(b[4096+list+4+8:], value(t, h, "Start").cell)
		},
		"no mark of a bin": func(h *Hive, b []byte) {
			copy(b[4096+find(t, h, "ControlSet001", "Services", "stornvme").at&^4095:], "xbin")
		},
		"a name that no key may have": func(h *Hive, b []byte) {
			binary.LittleEndian.PutUint16(b[4096+find(t, h, "ControlSet001", "Services", "stornvme").at+4+72:], nameMost+1)
		},
		"a bin that says too much": func(h *Hive, b []byte) {
			binary.LittleEndian.PutUint32(b[4096+8:], 1<<31)
		},
	} {
		t.Run(name, func(t *testing.T) {
			b := windows.Hive(services(1300))
			damage(opened(t, b), b)
			_, _, err := number(b, path)
			require.Error(t, err)
			assert.NotErrorIs(t, err, ErrNotThere)
		})
	}
}

// Lists that are named again and again are not read without end.
func TestReadsNoEndOfLists(t *testing.T) {
	h := opened(t, windows.Hive(services(1300)))
	k := find(t, h, "ControlSet001", "Services")
	var err error
	for range countMost/1300 + 1 {
		if _, err = k.Keys(); err != nil {
			break
		}
	}
	require.ErrorContains(t, err, "more than is read")
	_, err = h.Find("ControlSet001")
	require.Error(t, err)
	assert.NotErrorIs(t, err, ErrNotThere)
}

func find(t testing.TB, h *Hive, names ...string) *Key {
	k, err := h.Find(names...)
	require.NoError(t, err)
	return k
}

func value(t testing.TB, h *Hive, name string) Value {
	v, err := find(t, h, "ControlSet001", "Services", "stornvme").Value(name)
	require.NoError(t, err)
	return v
}

func TestNewer(t *testing.T) {
	h := opened(t, windows.Hive(services(0)))
	log := func(sequence uint32, entries ...uint32) []byte {
		b := make([]byte, 512)
		copy(b, "regf")
		binary.LittleEndian.PutUint32(b[4:], sequence)
		binary.LittleEndian.PutUint32(b[28:], 6)
		windows.Seal(b)
		for _, n := range entries {
			e := make([]byte, 1024)
			copy(e, "HvLE")
			binary.LittleEndian.PutUint32(e[4:], 1024)
			binary.LittleEndian.PutUint32(e[12:], n)
			b = append(b, e...)
		}
		return b
	}
	broken := log(7, 6)
	broken[512+4] = 3
	for name, c := range map[string]struct {
		log   []byte
		newer bool
		says  string
	}{
		"none": {nil, false, ""}, "never used": {make([]byte, 8192), false, ""}, "the same": {log(7, 5, 6, 7), false, ""},
		"a later entry": {log(7, 6, 7, 8), true, ""}, "a later head": {log(8), true, ""}, "older behind": {append(log(7, 7), make([]byte, 4096)...), false, ""},
		"another file": {bytes.Repeat([]byte("x"), 4096), false, "does not begin as one"}, "an entry of no size": {broken, false, "an entry"},
	} {
		newer, err := h.Newer(bytes.NewReader(c.log), uint64(len(c.log)))
		assert.Equal(t, c.newer, newer, name)
		if c.says == "" {
			assert.NoError(t, err, name)
		} else {
			assert.ErrorContains(t, err, c.says, name)
		}
	}
}

// ask has hivex (libwin-hivex-perl) read numbers: a line for each file and path
// gives "type hex", "none", or "error".
const ask = `use Win::Hivex; $| = 1;
while (<STDIN>) { chomp; my ($file, $path) = split /\t/; my @names = split /\\/, $path; my $name = pop @names;
  print eval { my $h = Win::Hivex->open($file); my $n = $h->root();
    for (@names) { $n = $h->node_get_child($n, $_) or return "none" }
    my $v = $h->node_get_value($n, $name) or return "none";
    my ($t, $d) = $h->value_value($v); "$t " . unpack("H*", $d) } // "error", "\n" }`

// hivex answers a list of files and paths.
func hivex(t *testing.T, asked []string) []string {
	if exec.Command("perl", "-MWin::Hivex", "-e", "1").Run() != nil {
		outside.Missing(t, "Win::Hivex (libwin-hivex-perl) is not here")
	}
	command := exec.Command("perl", "-e", ask)
	command.Stdin = strings.NewReader(strings.Join(asked, "\n") + "\n")
	said, err := command.Output()
	require.NoError(t, err)
	answers := strings.Split(strings.TrimSuffix(string(said), "\n"), "\n")
	require.Len(t, answers, len(asked))
	return answers
}

// shell has hivexsh change a hive.
func shell(t *testing.T, path string, lines ...string) {
	if _, err := exec.LookPath("hivexsh"); err != nil {
		outside.Missing(t, "hivexsh (libhivex-bin) is not here")
	}
	command := exec.Command("hivexsh", "-w", path)
	command.Stdin = strings.NewReader(strings.Join(append(lines, "commit", "quit"), "\n") + "\n")
	said, err := command.CombinedOutput()
	require.NoError(t, err, "%s", said)
	require.NotContains(t, string(said), "rror", "%v", lines)
}

// What hivex has written is read as hivex reads it, and a number changed in place
// is the changed one to it.
func TestAgreesWithHivex(t *testing.T) {
	r := rand.New(rand.NewPCG(16, 1))
	dir := t.TempDir()
	var asked []string
	var ours []uint32
	for i := range 200 {
		path := filepath.Join(dir, fmt.Sprint(i))
		require.NoError(t, os.WriteFile(path, windows.Hive(services(r.IntN(8)*r.IntN(120))), 0o600))
		start, override := r.Uint32N(5), r.Uint32N(5)
		shell(t, path, `cd \ControlSet001\Services`, fmt.Sprintf("add Other%d", r.Uint32N(1000)), `cd \ControlSet001\Services\stornvme`, "setval 3",
			"Start", fmt.Sprintf("dword:%d", start), "ImagePath", `string:System32\drivers\stornvme.sys`, "Tag", "dword:33", "add Parameters", `cd StartOverride`, "setval 1", "0", fmt.Sprintf("dword:%d", override))
		b, err := os.ReadFile(path)
		require.NoError(t, err)
		for name, want := range map[string]uint32{`ControlSet001\Services\stornvme\Start`: start, `ControlSet001\Services\stornvme\StartOverride\0`: override} {
			got, at, err := number(b, name)
			require.NoError(t, err)
			require.Equal(t, want, got)
			next := r.Uint32()
			binary.LittleEndian.PutUint32(b[at:], next)
			asked, ours = append(asked, path+"\t"+name), append(ours, next)
		}
		require.NoError(t, os.WriteFile(path, b, 0o600))
	}
	for i, answer := range hivex(t, asked) {
		assert.Equal(t, fmt.Sprintf("4 %x", binary.LittleEndian.AppendUint32(nil, ours[i])), answer, asked[i])
	}
}

// Of damaged hives nothing is told that hivex tells otherwise: neither another
// number, nor that there is none.
func TestNoWrongAnswerOfDamagedHives(t *testing.T) {
	r := rand.New(rand.NewPCG(16, 2))
	dir := t.TempDir()
	paths := []string{`Select\Current`, `ControlSet001\Services\stornvme\Start`, `ControlSet001\Services\stornvme\StartOverride\0`, `ControlSet001\Services\storahci\Start`}
	good := [][]byte{windows.Hive(services(0)), windows.Hive(services(40)), windows.Hive(services(700))}
	var asked, ours []string
	for i := range 600 {
		path := filepath.Join(dir, fmt.Sprint(i))
		b := bytes.Clone(good[i%3])
		for range 1 + r.IntN(12) {
			at := 32 + r.IntN(len(b)-36)
			if r.IntN(2) == 0 { // where an offset or a size stands
				at &^= 3
				binary.LittleEndian.PutUint32(b[at:], uint32(r.IntN(len(b)))&^7)
			} else {
				b[at] ^= 1 << r.IntN(8)
			}
		}
		windows.Seal(b)
		require.NoError(t, os.WriteFile(path, b, 0o600))
		for _, name := range paths {
			n, _, err := number(b, name)
			answer := fmt.Sprintf("4 %x", binary.LittleEndian.AppendUint32(nil, n))
			switch {
			case errors.Is(err, ErrNotThere):
				answer = "none"
			case err != nil:
				answer = "" // no answer is never a wrong one
			}
			asked, ours = append(asked, path+"\t"+name), append(ours, answer)
		}
	}
	counts := map[string]int{}
	for i, theirs := range hivex(t, asked) {
		switch {
		case ours[i] == "":
			counts["refused"]++
		case ours[i] == theirs:
			counts["agreed"]++
		case theirs == "error":
			counts["hivex refused"]++
		default:
			assert.Equal(t, theirs, ours[i], asked[i])
		}
	}
	t.Log(counts)
	assert.NotZero(t, counts["agreed"])
	assert.NotZero(t, counts["refused"])
}

func FuzzHive(f *testing.F) {
	good := windows.Hive(services(12))
	f.Add(uint32(0), []byte{})
	f.Add(uint32(4096+32), []byte{8, 0, 0, 0})
	f.Fuzz(func(t *testing.T, at uint32, change []byte) {
		b := slices.Clone(good)
		copy(b[int(at)%len(b):], change)
		n, place, err := number(b, `ControlSet001\Services\stornvme\Start`)
		if err == nil {
			require.Equal(t, n, binary.LittleEndian.Uint32(b[place:]))
		}
		if h, err := Open(bytes.NewReader(b), uint64(len(b))); err == nil {
			if k, err := h.Find("ControlSet001", "Services"); err == nil {
				_, _ = k.Keys()
			}
			_, _ = h.Newer(bytes.NewReader(b), uint64(len(b)))
		}
	})
}
