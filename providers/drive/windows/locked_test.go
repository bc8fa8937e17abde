package windows

import (
	"bytes"
	"encoding/binary"
	"hash/crc32"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/drive/content"
	"lendkeep/reconcile/facts"
	"lendkeep/testdata/outside"
)

// fveAt are the places of the three copies of the metadata.
var fveAt = [3]uint64{64 << 10, 128 << 10, 192 << 10}

const fveVolume = 1 << 20

// entry is one of the metadata, or a property of one.
func entry(kind, value uint16, data ...byte) []byte {
	b := binary.LittleEndian.AppendUint16(nil, uint16(8+len(data)))
	for _, n := range []uint16{kind, value, 1} {
		b = binary.LittleEndian.AppendUint16(b, n)
	}
	return append(b, data...)
}

// protector is a volume master key with what protects it.
func protector(by uint16) []byte {
	data := binary.LittleEndian.AppendUint16(bytes.Repeat([]byte{7}, 26), by)
	data = append(data, entry(0, 5, make([]byte, 12+16+44)...)...)
	if by == byClearKey {
		data = append(data, entry(0, 1, make([]byte, 4+32)...)...)
	}
	return entry(entryKey, valueKey, data...)
}

// metadata is one copy, with its checksum.
func metadata(entries ...[]byte) []byte {
	body := bytes.Join(append(entries, entry(3, 5, make([]byte, 12+16+44)...), entry(15, 15, make([]byte, 16)...)), nil)
	size := (64 + 48 + len(body) + 15) / 16 * 16
	b := make([]byte, size+8)
	copy(b, fveMark)
	for at, n := range map[int]uint16{8: uint16(size / 16), 10: 2, 12: 4, 14: 4, 100: 0x8004, size: 8 + 88, size + 2: 2} {
		binary.LittleEndian.PutUint16(b[at:], n)
	}
	binary.LittleEndian.PutUint64(b[16:], fveVolume)
	binary.LittleEndian.PutUint32(b[28:], 16)
	for i, at := range fveAt {
		binary.LittleEndian.PutUint64(b[32+8*i:], at)
	}
	binary.LittleEndian.PutUint64(b[56:], 256<<10)
	for at, n := range map[int]uint32{64: uint32(48 + len(body)), 68: 1, 72: 48, 76: uint32(48 + len(body))} {
		binary.LittleEndian.PutUint32(b[at:], n)
	}
	copy(b[112:], body)
	binary.LittleEndian.PutUint32(b[size+4:], crc32.ChecksumIEEE(b[:size]))
	return b
}

// fve is a volume with those copies.
func fve(copies [3][]byte) []byte {
	b := make([]byte, fveVolume)
	copy(b, "\xeb\x58\x90"+fveMark+"\x00\x02\x08")
	copy(b[160:], fveGuid)
	for i, at := range fveAt {
		binary.LittleEndian.PutUint64(b[176+8*i:], at)
		copy(b[at:], copies[i])
	}
	copy(b[510:], "\x55\xaa")
	return b
}

func all(block []byte) [3][]byte { return [3][]byte{block, block, block} }

func encryption(b []byte) facts.Answer {
	v := content.Look(bytes.NewReader(b), 0, uint64(len(b)))
	v.Number = 3
	return look(bytes.NewReader(b), uint64(len(b)), v).Answer(facts.AsksEncryption)
}

// A clear key among what protects it says that protection is suspended. cryptsetup, which
// reads the same metadata, sees each of them.
func TestLocked(t *testing.T) {
	for name, c := range map[string]struct {
		by     []uint16
		says   facts.Held
		beside []string
	}{
		"by the TPM, and a recovery password": {[]uint16{0x0100, 0x0800}, facts.Absent, []string{"VMK protected with TPM", "VMK protected with recovery passphrase"}},
		"suspended":                           {[]uint16{0x0100, 0x0800, byClearKey}, facts.Present, []string{"VMK protected with TPM", "VMK protected with clear key"}},
		"by nothing else yet":                 {[]uint16{byClearKey}, facts.Present, []string{"VMK protected with clear key"}},
		"by a password":                       {[]uint16{0x2000}, facts.Absent, []string{"VMK protected with passphrase"}},
	} {
		t.Run(name, func(t *testing.T) {
			var entries [][]byte
			for _, by := range c.by {
				entries = append(entries, protector(by))
			}
			b := fve(all(metadata(entries...)))
			assert.Equal(t, c.says, encryption(b).Says, encryption(b).Seen)
			if _, err := exec.LookPath("cryptsetup"); err != nil {
				outside.Missing(t, "cryptsetup is not here")
			}
			file := filepath.Join(t.TempDir(), "volume")
			require.NoError(t, os.WriteFile(file, b, 0o600))
			said, err := exec.Command("cryptsetup", "bitlkDump", file).CombinedOutput()
			require.NoError(t, err, "%s", said)
			for _, words := range c.beside {
				assert.Contains(t, string(said), words)
			}
			assert.Equal(t, len(c.by), strings.Count(string(said), "VMK protected with"))
		})
	}
}

// What is damaged, strange or contradicts itself is not known, and nothing else is seen
// of the volume.
func TestLockedNotKnown(t *testing.T) {
	tpm, suspended := metadata(protector(0x0100)), metadata(protector(0x0100), protector(byClearKey))
	change := func(block []byte, at int, to byte, seal bool) [3][]byte {
		b := bytes.Clone(block)
		b[at] = to
		if seal {
			size := len(b) - 8
			binary.LittleEndian.PutUint32(b[size+4:], crc32.ChecksumIEEE(b[:size]))
		}
		return all(b)
	}
	other := fve(all(suspended))
	other[160]++
	vista := fve(all(suspended))
	vista[1] = 0x52
	nowhere := fve(all(suspended))
	binary.LittleEndian.PutUint64(nowhere[184:], 1<<63)
	beyond := fve(all(suspended))
	binary.LittleEndian.PutUint64(beyond[192:], fveVolume-512)
	for name, b := range map[string][]byte{
		"the copies differ":        fve([3][]byte{suspended, suspended, tpm}),
		"a copy is not there":      fve([3][]byte{suspended, nil, suspended}),
		"a checksum is wrong":      fve(change(suspended, 120, 1, false)),
		"another version":          fve(change(suspended, 10, 3, true)),
		"another header":           fve(change(suspended, 72, 40, true)),
		"an entry is cut off":      fve(change(suspended, 112, 3, true)),
		"an entry is too long":     fve(change(suspended, 113, 0xff, true)),
		"more than the block":      fve(change(suspended, 66, 1, true)),
		"a key of another kind":    fve(change(suspended, 116, 9, true)),
		"no key":                   fve(all(metadata())),
		"encrypted as written":     other,
		"of an earlier Windows":    vista,
		"a copy has no place":      nowhere,
		"a copy is beyond its end": beyond,
	} {
		t.Run(name, func(t *testing.T) {
			a := encryption(b)
			assert.Equal(t, facts.Unknown, a.Says)
			assert.Contains(t, a.Seen, "encrypted by BitLocker; whether its protection is suspended is not known")
		})
	}
	b := fve(all(suspended))
	v := content.Look(bytes.NewReader(b), 0, fveVolume)
	got := look(bytes.NewReader(b), fveVolume, v)
	for _, q := range []facts.Matter{facts.AsksDriver, facts.AsksShutdown, facts.AsksPending} {
		assert.Equal(t, facts.Unknown, got.Answer(q).Says)
		assert.Contains(t, got.Answer(q).Seen, "encrypted by BitLocker")
	}
}

func FuzzLocked(f *testing.F) {
	f.Add(fve(all(metadata(protector(0x0100), protector(byClearKey)))))
	f.Fuzz(func(t *testing.T, b []byte) {
		if open, err := clearKey(bytes.NewReader(b)); err != nil {
			assert.False(t, open)
		}
	})
}
