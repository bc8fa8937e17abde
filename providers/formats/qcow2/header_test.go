package qcow2

import (
	"bytes"
	"encoding/binary"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// headed is a header of version 3 by the words of QEMU's docs/interop/qcow2.txt,
// with a backing file and an extension.
func headed(features uint64, kind uint32, text string) []byte {
	b, be := make([]byte, 1024), binary.BigEndian
	copy(b, Magic)
	be.PutUint32(b[4:], 3)
	be.PutUint64(b[8:], 512)
	be.PutUint32(b[16:], 4)
	copy(b[512:], "base")
	be.PutUint32(b[20:], 16)
	be.PutUint64(b[72:], features)
	be.PutUint32(b[100:], 104)
	be.PutUint32(b[104:], kind)
	be.PutUint32(b[108:], uint32(len(text)))
	copy(b[112:], text)
	return b
}

func TestOthers(t *testing.T) {
	for name, c := range map[string]struct {
		b             []byte
		backing, data string
		says          string
	}{
		"a backing file":      {headed(0, extensionBackingFormat, "raw"), "base", "", ""},
		"data elsewhere":      {headed(featureDataFile, extensionDataFile, "elsewhere"), "base", "elsewhere", ""},
		"data nowhere":        {headed(featureDataFile, extensionBackingFormat, "raw"), "base", "", "does not name"},
		"what is not known":   {headed(1<<40, extensionEnd, ""), "base", "", ""},
		"an endless name":     {headed(featureDataFile, extensionDataFile, string(make([]byte, 600)))[:900], "base", "", "read header extensions"},
		"cut":                 {headed(0, 0, "")[:100], "", "", "cut"},
		"cut within the name": {headed(0, 0, "")[:514], "", "", "the file it is based on"},
	} {
		t.Run(name, func(t *testing.T) {
			if name == "an endless name" {
				binary.BigEndian.PutUint32(c.b[108:], 1000)
			}
			backing, data, err := Others(bytes.NewReader(c.b))
			if c.says != "" {
				assert.ErrorContains(t, err, c.says)
				return
			}
			require.NoError(t, err)
			assert.Equal(t, c.backing, backing)
			assert.Equal(t, c.data, data)
		})
	}
}

func FuzzRead(f *testing.F) {
	f.Add(headed(0, extensionBackingFormat, "raw"))
	f.Add(headed(featureDataFile, extensionDataFile, "elsewhere"))
	f.Fuzz(func(t *testing.T, b []byte) {
		h, err := Read(bytes.NewReader(b), int64(len(b)))
		if err == nil {
			require.LessOrEqual(t, len(h.Backing), maxNameBytes)
			require.GreaterOrEqual(t, h.SizeBytes, int64(0))
			backing, _, _ := Others(bytes.NewReader(b))
			require.Equal(t, h.Backing, backing)
		}
		backing, data, _ := Others(bytes.NewReader(b))
		require.LessOrEqual(t, len(backing)+len(data), 2*maxNameBytes)
	})
}
