package firmware

import (
	"bytes"
	"encoding/binary"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// makeQcow2 makes a minimal version 2 file of one table and one data cluster,
// after QEMU's docs/interop/qcow2.txt.
func makeQcow2(content []byte) []byte {
	const cluster = 1 << 16
	b := make([]byte, 4*cluster)
	be := binary.BigEndian
	copy(b, "QFI\xfb")
	be.PutUint32(b[4:], 2)
	be.PutUint32(b[20:], 16)
	be.PutUint64(b[24:], uint64(len(content)))
	be.PutUint32(b[36:], 1)
	be.PutUint64(b[40:], cluster)
	be.PutUint64(b[cluster:], 2*cluster|1<<63)
	be.PutUint64(b[2*cluster:], 3*cluster|1<<63)
	copy(b[3*cluster:], content)
	return b
}

func TestReadQcow2(t *testing.T) {
	image := makeImage(t, makeInner(NVMe))
	report := Read(makeQcow2(image)).Report()
	assert.Equal(t, Present, report.Of(NVMe).Held)
	assert.Equal(t, Absent, report.Of(Shell).Held)
	for text, change := range map[string]func(b []byte){
		"needs a backing file": func(b []byte) { b[15] = 8 },
		"clusters of 2^63":     func(b []byte) { b[23] = 63 },
		"flash of":             func(b []byte) { b[24] = 1 },
		"first table of":       func(b []byte) { b[36] = 0xFF },
		"read qcow2":           func(b []byte) { b[40] = 0x10 },
	} {
		b := makeQcow2(image)
		change(b)
		answer := Read(b).Report().Of(Shell)
		assert.Equal(t, Unknown, answer.Held)
		assert.Contains(t, answer.Why, text)
	}
	assert.Contains(t, Read([]byte("QFI\xfb")).Report().Of(NVMe).Why, "are no header")
}

// As QEMU's own tool writes it, compressed.
func TestReadQcow2OfQEMU(t *testing.T) {
	tool := outsideProgram(t, "qemu-img", "qemu-utils")
	dir := t.TempDir()
	raw, packed := filepath.Join(dir, "raw"), filepath.Join(dir, "packed")
	image := append(makeImage(t, makeInner(NVMe)), bytes.Repeat([]byte{0xFF}, 1<<20)...)
	require.NoError(t, os.WriteFile(raw, image[:len(image)&^511], 0o644))
	out, err := exec.Command(tool, "convert", "-c", "-O", "qcow2", raw, packed).CombinedOutput()
	require.NoError(t, err, string(out))
	content, err := os.ReadFile(packed)
	require.NoError(t, err)
	report := Read(content).Report()
	assert.Empty(t, report.Warnings)
	assert.Equal(t, Present, report.Of(NVMe).Held)
}
