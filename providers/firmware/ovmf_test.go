package firmware

import (
	"bytes"
	"encoding/binary"
	"os"
	"os/exec"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"
	"github.com/ulikunitz/xz/lzma"

	"lendkeep/testdata/outside"
)

// Debian's firmware, package ovmf.
const (
	ovmfCode = "/usr/share/OVMF/OVMF_CODE_4M.fd"
	ovmfVars = "/usr/share/OVMF/OVMF_VARS_4M.fd"
)

// outsideFile reads a file of another package.
func outsideFile(t testing.TB, path, debianPackage string) []byte {
	t.Helper()
	content, err := os.ReadFile(path)
	if err != nil {
		outside.Missing(t, "no "+path+" (Debian package "+debianPackage+")")
	}
	return content
}

// outsideProgram finds a program of another package.
func outsideProgram(t testing.TB, name, debianPackage string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		outside.Missing(t, "no program "+name+" (Debian package "+debianPackage+")")
	}
	return path
}

// packedPart is where an image keeps its LZMA stream.
type packedPart struct {
	fileAt, fileHeader int // offset of the file in the image, length of its header
	streamAt           int // offset of the stream in the image
	stream             []byte
}

// findPacked finds the one LZMA part of an OVMF image, in its first volume.
func findPacked(t testing.TB, image []byte) packedPart {
	t.Helper()
	volume, err := readVolumeHeader(image)
	require.NoError(t, err)
	for at := volume.filesAt; at < volume.length; {
		bounds, err := readFileHeader(image[at:volume.length], volume)
		require.NoError(t, err)
		if bounds.kind == fileTypeVolume {
			s, err := readSection(image[at+bounds.header:])
			require.NoError(t, err)
			require.EqualValues(t, sectionGUIDed, s.kind)
			dataAt := int(binary.LittleEndian.Uint16(s.content()[16:]))
			return packedPart{at, bounds.header, at + bounds.header + dataAt, s.whole[dataAt:]}
		}
		at = align(at+bounds.length, 8)
	}
	require.Fail(t, "no LZMA part in the image")
	return packedPart{}
}

// unpacked gives the content of an image's LZMA part: a stream of sections.
func unpacked(t testing.TB, image []byte) []byte {
	t.Helper()
	inner, err := new(walk).unpack(findPacked(t, image).stream)
	require.NoError(t, err)
	return inner
}

// pack compresses as firmware builders do: a classic header that says the size.
func pack(t testing.TB, content []byte) []byte {
	t.Helper()
	var out bytes.Buffer
	w, err := lzma.WriterConfig{DictCap: 8 << 20, Size: int64(len(content)), SizeInHeader: true}.NewWriter(&out)
	require.NoError(t, err)
	_, err = w.Write(content)
	require.NoError(t, err)
	require.NoError(t, w.Close())
	return out.Bytes()
}

// repacked gives the image with another LZMA content in place of its own.
func repacked(t testing.TB, image, content []byte) []byte {
	t.Helper()
	part := findPacked(t, image)
	volume, err := readVolumeHeader(image)
	require.NoError(t, err)
	stream := pack(t, content)
	end := part.streamAt + len(stream)
	require.LessOrEqual(t, end, volume.length, "the repacked part must fit its volume")
	out := bytes.Clone(image)
	for i := part.streamAt; i < volume.length; i++ {
		out[i] = volume.erased()
	}
	copy(out[part.streamAt:], stream)
	putSize24(out[part.fileAt+part.fileHeader:], end-part.fileAt-part.fileHeader)
	putFileSize(out[part.fileAt:], end-part.fileAt)
	return out
}

func putSize24(b []byte, size int) { b[0], b[1], b[2] = byte(size), byte(size>>8), byte(size>>16) }

// putFileSize sets the size of a file with a short header and makes the
// header's checksum right again.
func putFileSize(header []byte, size int) {
	putSize24(header[20:], size)
	fixFileSum(header)
}

func fixFileSum(header []byte) {
	header[16] = 0
	header[16] = -(sum8(header[:fileHeader]) - header[17] - header[23])
}

// dropPart deletes a part in unpacked firmware as a flash driver would: by the
// state byte of its file alone.
func dropPart(t testing.TB, content []byte, part Part) []byte {
	t.Helper()
	out := bytes.Clone(content)
	at := bytes.Index(out, part.GUID[:])
	require.GreaterOrEqual(t, at, 0)
	require.EqualValues(t, 0xF8, out[at+23], "state of a valid file, erase polarity one")
	out[at+23] = 0xE8
	return out
}

var driverlessOnce struct {
	sync.Once
	image []byte
}

// driverless is Debian's firmware without its NVMe driver.
func driverless(t testing.TB) []byte {
	t.Helper()
	image := outsideFile(t, ovmfCode, "ovmf")
	driverlessOnce.Do(func() {
		driverlessOnce.image = repacked(t, image, dropPart(t, unpacked(t, image), NVMe))
	})
	require.NotNil(t, driverlessOnce.image, "the first attempt to make it failed")
	return driverlessOnce.image
}
