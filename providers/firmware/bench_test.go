package firmware

import (
	"bytes"
	"io"
	"os"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"github.com/ulikunitz/xz/lzma"
)

// BenchmarkInspect compares reading Debian's firmware with only decompressing
// its LZMA stream, which no reader can avoid: the ratio is reported as
// "xz-ratio" and should stay below 2.
func BenchmarkInspect(b *testing.B) {
	content := outsideFile(b, ovmfCode, "ovmf")
	stream := findPacked(b, content).stream
	decompress := func() {
		r, err := lzma.NewReader(bytes.NewReader(stream))
		require.NoError(b, err)
		_, err = io.Copy(io.Discard, r)
		require.NoError(b, err)
	}
	b.Run("cold", func(b *testing.B) {
		b.ReportAllocs()
		var read, plain time.Duration
		for b.Loop() {
			start := time.Now()
			require.Equal(b, Present, Read(content).Report().Of(NVMe).Held)
			read += time.Since(start)
			b.StopTimer()
			start = time.Now()
			decompress()
			plain += time.Since(start)
			b.StartTimer()
		}
		b.ReportMetric(float64(read)/float64(plain), "xz-ratio")
	})
	b.Run("cached", func(b *testing.B) {
		dir := b.TempDir()
		root := os.DirFS("/")
		_, err := Inspect(root, ovmfCode, dir)
		require.NoError(b, err)
		for b.Loop() {
			_, err := Inspect(root, ovmfCode, dir)
			require.NoError(b, err)
		}
	})
}
