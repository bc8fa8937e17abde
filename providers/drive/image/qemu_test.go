package image

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/testdata/outside"
)

func osOpen(path string) (File, error) { return os.Open(path) }

// qemuTool skips without qemu-img and qemu-io, else runs one of them.
func qemuTool(t testing.TB, program string, arguments ...string) []byte {
	t.Helper()
	out, err := tried(t, program, arguments...)
	require.NoError(t, err, "%s %v: %s", program, arguments, out)
	return out
}

func tried(t testing.TB, program string, arguments ...string) ([]byte, error) {
	t.Helper()
	if _, err := exec.LookPath(program); err != nil {
		outside.Missing(t, program+" (Debian: qemu-utils) is not installed")
	}
	return exec.Command(program, arguments...).CombinedOutput()
}

// shape is how a chain of images is made.
type shape struct {
	name    string
	options []string // -o of qemu-img create, one for each image, backing first; "raw" is a raw one
	cluster int64
	size    int64 // of the topmost
	behind  int64 // of the backing one
}

var shapes = []shape{
	{"raw", []string{"raw"}, 4096, 9<<20 + 512, 0},
	{"v2", []string{"compat=0.10"}, 65536, 9<<20 + 512, 0},
	{"v3", []string{"compat=1.1"}, 65536, 17<<20 - 1024, 0},
	{"v3 with small clusters", []string{"cluster_size=512"}, 512, 1<<20 + 512, 0},
	{"v3 with clusters of 4k", []string{"cluster_size=4k"}, 4096, 5<<20 + 4096, 0},
	{"v3 with clusters of 2M", []string{"cluster_size=2M"}, 2 << 20, 33<<20 + 1536, 0},
	{"zstd", []string{"compression_type=zstd"}, 65536, 9<<20 + 512, 0},
	{"zstd with clusters of 2M", []string{"compression_type=zstd,cluster_size=2M"}, 2 << 20, 33 << 20, 0},
	{"parts of clusters", []string{"extended_l2=on"}, 65536, 9<<20 + 512, 0},
	{"parts of clusters of 2M over raw", []string{"raw", "extended_l2=on,cluster_size=2M"}, 2 << 20, 33 << 20, 20<<20 + 512},
	{"v3 over v2", []string{"compat=0.10", "compat=1.1"}, 65536, 9 << 20, 12 << 20},
	{"v3 over shorter raw", []string{"raw", "compat=1.1"}, 65536, 9 << 20, 3<<20 + 512},
	{"v3 over shorter v3 with other clusters", []string{"cluster_size=4k", "cluster_size=2M"}, 4096, 21 << 20, 7<<20 + 4096},
	{"three", []string{"raw", "cluster_size=4k", "extended_l2=on"}, 65536, 9 << 20, 9 << 20},
	{"preallocated", []string{"preallocation=metadata"}, 65536, 9 << 20, 0},
}

// make makes the chain with random content and gives the topmost path.
func (s shape) make(t testing.TB, dir string, random *rand.Rand) string {
	behind := ""
	for i, options := range s.options {
		path := filepath.Join(dir, fmt.Sprintf("%d.img", i))
		size := s.behind
		if i == len(s.options)-1 {
			size = s.size
		}
		arguments := []string{"create", "-q", "-f", "qcow2", "-o", options}
		if options == "raw" {
			arguments = []string{"create", "-q", "-f", "raw"}
		} else if behind != "" {
			format := "qcow2"
			if s.options[i-1] == "raw" {
				format = "raw"
			}
			arguments = append(arguments, "-b", filepath.Base(behind), "-F", format)
		}
		qemuTool(t, "qemu-img", append(arguments, path, fmt.Sprint(size))...)
		s.write(t, path, options == "raw", size, random)
		behind = path
	}
	return behind
}

// write writes random pieces by qemu-io.
func (s shape) write(t testing.TB, path string, raw bool, size int64, random *rand.Rand) {
	arguments := []string{"-f", "qcow2"}
	if raw {
		arguments[1] = "raw"
	}
	for n := range 30 {
		offset := random.Int64N(size/512) * 512
		length := min(random.Int64N(min(size, 4*s.cluster+512)/512)*512+512, size-offset)
		command := ""
		switch kind := random.IntN(6); {
		case kind == 0:
			command = fmt.Sprintf("write -z %d %d", offset, length)
		case kind == 1 && !raw:
			command = fmt.Sprintf("write -z -u %d %d", offset, length)
		case kind == 2:
			command = fmt.Sprintf("discard %d %d", offset, length)
		case kind == 3 && !raw: // whole clusters only
			offset -= offset % s.cluster
			command = fmt.Sprintf("write -c -P %d %d %d", n+1, offset, min(s.cluster, size-offset))
		default:
			command = fmt.Sprintf("write -P %d %d %d", n+1, offset, length)
		}
		arguments = append(arguments, "-c", command)
	}
	// QEMU compresses only into clusters that are not there yet, so that some
	// of the writes fail.
	out, _ := tried(t, "qemu-io", append(arguments, path)...)
	require.Contains(t, string(out), "wrote ")
}

// mapped is an extent as qemu-img map prints it.
type mapped struct {
	Start, Length int64
	Zero, Data    bool
}

// Images of every shape, written at random, read as qemu-img reads them, and
// their extents are zeroes wherever qemu-img map has them so.
func TestReadsAsQEMU(t *testing.T) {
	for number, s := range shapes {
		t.Run(s.name, func(t *testing.T) {
			for round := range uint64(2) {
				random := rand.New(rand.NewPCG(uint64(number), round))
				dir := t.TempDir()
				path := s.make(t, dir, random)
				plain := filepath.Join(dir, "plain")
				format := "qcow2"
				if s.options[len(s.options)-1] == "raw" {
					format = "raw"
				}
				qemuTool(t, "qemu-img", "convert", "-f", format, "-O", "raw", path, plain)
				want, err := os.ReadFile(plain)
				require.NoError(t, err)

				i, err := Open(path, format, osOpen)
				require.NoError(t, err)
				assert.Equal(t, format, i.Format())
				assert.Len(t, i.Chain(), len(s.options))
				require.EqualValues(t, len(want), i.SizeBytes())
				got := make([]byte, len(want))
				_, err = i.ReadAt(got, 0)
				require.NoError(t, err)
				require.True(t, bytes.Equal(want, got), "round %d differs from byte %d", round, differs(want, got))
				for range 200 {
					at, length := random.IntN(len(want)), random.IntN(300000)+1
					part := got[:min(length, len(want)-at)]
					_, err = i.ReadAt(part, int64(at))
					require.NoError(t, err)
					require.True(t, bytes.Equal(want[at:at+len(part)], part), "round %d, %d bytes at %d", round, length, at)
				}
				var maps []mapped
				require.NoError(t, json.Unmarshal(qemuTool(t, "qemu-img", "map", "-f", format, "--output=json", path), &maps))
				compareMaps(t, i, maps, want)
				require.NoError(t, i.Close())
			}
		})
	}
}

func differs(a, b []byte) int {
	for i := range a {
		if a[i] != b[i] {
			return i
		}
	}
	return -1
}

func compareMaps(t *testing.T, i *Image, maps []mapped, want []byte) {
	theirs := make([]bool, len(want)/512)
	for _, m := range maps {
		for sector := m.Start / 512; sector < (m.Start+m.Length)/512; sector++ {
			theirs[sector] = m.Zero
		}
	}
	at, data := int64(0), uint64(0)
	require.NoError(t, i.Extents(t.Context(), func(e Extent) error {
		require.Equal(t, at, e.Offset, "extents must follow one another")
		require.Positive(t, e.Length)
		at += e.Length
		if !e.Zero {
			data += uint64(e.Length)
		}
		for sector := e.Offset / 512; sector < (e.Offset+e.Length)/512 && !e.Zero; sector++ {
			if theirs[sector] {
				t.Fatalf("sector %d is zeroes to qemu-img map", sector)
			}
		}
		if e.Zero {
			require.True(t, bytes.Equal(want[e.Offset:e.Offset+e.Length], make([]byte, e.Length)), "%v is not zeroes", e)
		}
		return nil
	}))
	assert.EqualValues(t, len(want), at)
	sum, err := i.DataBytes(context.Background())
	require.NoError(t, err)
	assert.Equal(t, data, sum)
}
