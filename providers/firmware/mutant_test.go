package firmware

import (
	"bytes"
	"encoding/binary"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

const mutants = 10_000

// headers are the offsets, in a stream of sections with one volume in it, of
// everything that has a structure.
type headers struct {
	volumes, files, sections []int
}

func (h *headers) sectionsIn(t testing.TB, b []byte, base int) {
	for at := 0; at < len(b); {
		s, err := readSection(b[at:])
		require.NoError(t, err)
		h.sections = append(h.sections, base+at)
		if s.kind == sectionVolume {
			h.volume(t, s.content(), base+at+s.header)
		}
		at = align(at+len(s.whole), 4)
	}
}

func (h *headers) volume(t testing.TB, b []byte, base int) {
	volume, err := readVolumeHeader(b)
	require.NoError(t, err)
	h.volumes = append(h.volumes, base)
	for at := volume.filesAt; at+fileHeader < volume.length && !filled(b[at:at+fileHeader], 0xFF); {
		bounds, err := readFileHeader(b[at:volume.length], volume)
		require.NoError(t, err)
		h.files = append(h.files, base+at)
		if bounds.kind > fileTypeRaw && bounds.kind <= fileTypeLast {
			h.sectionsIn(t, b[at+bounds.header:at+bounds.length], base+at+bounds.header)
		}
		at = align(at+bounds.length, 8)
	}
}

// mutation is one change of some bytes.
type mutation struct {
	what    string
	at      int
	bytes   []byte
	allowed bool // a file may be gone afterwards without a trace
}

// mutate picks a header and changes a field of it. Half of the changes of file
// headers make the checksum right again, so that what lies behind is reached.
func (h *headers) mutate(r *rand.Rand, b []byte) []mutation {
	value := func(n int) []byte {
		out := make([]byte, n)
		switch r.IntN(4) {
		case 0: // zero
		case 1:
			for i := range out {
				out[i] = 0xFF
			}
		default:
			for i := range out {
				out[i] = byte(r.Uint32())
			}
		}
		return out
	}
	switch pick := r.IntN(10); {
	case pick == 0:
		at := h.volumes[r.IntN(len(h.volumes))]
		return []mutation{{"volume header", at + r.IntN(volumeHeaderLeast), value(1 + r.IntN(4)), false}}
	case pick < 6:
		at := h.files[r.IntN(len(h.files))]
		field := r.IntN(fileHeader)
		width := min(1+r.IntN(4), fileHeader-field)
		m := mutation{"file header", at + field, value(width), false}
		header := bytes.Clone(b[at : at+fileHeader])
		copy(header[field:], m.bytes)
		// The state has no checksum: a deleted file is no damage. And one
		// change in 256 keeps the sum right by chance.
		m.allowed = field+width == fileHeader || sum8(header)-header[17]-header[23] == 0
		if r.IntN(2) == 0 {
			return []mutation{m}
		}
		fixFileSum(header)
		return []mutation{{"consistent file header", at, header, true}}
	case pick < 9:
		at := h.sections[r.IntN(len(h.sections))]
		field := r.IntN(sectionHeader)
		return []mutation{{"section header", at + field, value(min(1+r.IntN(3), sectionHeader-field)), false}}
	}
	var several []mutation
	for range 1 + r.IntN(3) {
		several = append(several, mutation{"anywhere", r.IntN(len(b)), value(1), true})
	}
	return several
}

// attack runs the reader over mutants of a stream of sections. Damage that can
// be told must never make a part that is there absent, nor one that is not
// there present.
func attack(t *testing.T, inner []byte, there, notThere []Part) {
	var h headers
	h.sectionsIn(t, inner, 0)
	require.NotEmpty(t, h.volumes)
	read := func() *Image {
		w := &walk{}
		w.sections(inner, &file{}, trail{text: "inner"})
		return w.image(Report{})
	}
	intact := read()
	require.Empty(t, intact.report.Warnings)
	r := rand.New(rand.NewPCG(5, 2024))
	var unknown int
	for n := range mutants {
		changes := h.mutate(r, inner)
		var undo []mutation
		allowed := false
		for _, m := range changes {
			end := min(m.at+len(m.bytes), len(inner))
			undo = append(undo, mutation{at: m.at, bytes: bytes.Clone(inner[m.at:end])})
			copy(inner[m.at:], m.bytes)
			allowed = allowed || m.allowed
		}
		image := read()
		for _, part := range there {
			answer := image.report.Of(part)
			if answer.Held == Unknown {
				unknown++
				require.NotEmpty(t, answer.Why)
			}
			if answer.Held == Absent && !allowed {
				require.Failf(t, "wrong answer", "mutant %d: %s is called absent after %+v", n, part.Name, changes)
			}
			if answer.Held == Absent {
				require.Empty(t, image.report.Warnings, "absent although something could not be read")
			}
		}
		for _, part := range notThere {
			require.NotEqual(t, Present, image.report.Of(part).Held, "mutant %d: %+v", n, changes)
		}
		for i := len(undo) - 1; i >= 0; i-- {
			copy(inner[undo[i].at:], undo[i].bytes)
		}
	}
	assert.Greater(t, unknown, mutants/10, "the mutants must hurt")
	assert.Equal(t, intact.report, read().report, "all changes were undone")
}

// withoutFreeSpace shortens the volumes in a stream of sections: most of their
// room is empty, and looking through it takes most of the time.
func withoutFreeSpace(t testing.TB, b []byte) []byte {
	var out []byte
	for at := 0; at < len(b); {
		s, err := readSection(b[at:])
		require.NoError(t, err)
		content := s.content()
		if s.kind == sectionVolume {
			volume, err := readVolumeHeader(content)
			require.NoError(t, err)
			used := len(bytes.TrimRight(content, "\xff"))
			content = bytes.Clone(content[:min(align(used+64, 64), volume.length)])
			binary.LittleEndian.PutUint64(content[32:], uint64(len(content)))
			headerLength := binary.LittleEndian.Uint16(content[48:])
			sum := content[50:52]
			clear(sum)
			binary.LittleEndian.PutUint16(sum, -sum16(content[:headerLength]))
		}
		out = append(out, makeSection(s.kind, content)...)
		at = align(at+len(s.whole), 4)
	}
	return out
}

func TestMutantsOfRealVolume(t *testing.T) {
	inner := withoutFreeSpace(t, unpacked(t, outsideFile(t, ovmfCode, "ovmf")))
	attack(t, inner, Parts(), nil)
}

func TestMutantsOfSyntheticVolume(t *testing.T) {
	attack(t, makeInner(NVMe, FAT, AHCI), []Part{NVMe, FAT, AHCI}, []Part{Shell, XHCI})
}

// The whole way, with the compressed part: fewer of the real image, since each
// is unpacked.
func TestMutantsOfImages(t *testing.T) {
	synthetic := makeImage(t, makeInner(NVMe, FAT))
	attackImage(t, synthetic, mutants)
	attackImage(t, outsideFile(t, ovmfCode, "ovmf"), 20)
}

// attackImage damages single bytes of everything outside the file states, which
// may delete a file without a trace.
func attackImage(t *testing.T, image []byte, count int) {
	part := findPacked(t, image)
	r := rand.New(rand.NewPCG(7, 2024))
	for n := range count {
		at := r.IntN(part.streamAt)
		if n%2 == 0 {
			at = part.streamAt + r.IntN(len(part.stream))
		}
		if at == part.fileAt+23 {
			continue
		}
		old := image[at]
		image[at] ^= 1 << r.IntN(8)
		report := Read(image).Report()
		require.NotEqual(t, Absent, report.Of(NVMe).Held, "byte %d of %d", at, part.streamAt)
		image[at] = old
	}
}
