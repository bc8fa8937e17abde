package firmware

import (
	"bytes"
	"encoding/binary"
	"errors"
	"io/fs"
	"os"
	"os/exec"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"
	"github.com/ulikunitz/xz/lzma"

	bare "lendkeep/testdata/driverless"
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

// driverless is Debian's firmware without its NVMe driver.
func driverless(t testing.TB) []byte {
	t.Helper()
	image, err := withoutDriver()
	if errors.Is(err, fs.ErrNotExist) {
		outside.Missing(t, "no "+ovmfCode+" (Debian package ovmf)")
	}
	require.NoError(t, err)
	return image
}

var withoutDriver = sync.OnceValues(func() ([]byte, error) {
	image, err := os.ReadFile(ovmfCode)
	if err != nil {
		return nil, err
	}
	return bare.Image(image)
})
