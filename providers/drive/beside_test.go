package drive

import (
	"context"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"sync"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/drive/content"
	"lendkeep/providers/drive/probe"
	"lendkeep/providers/drive/system"
	"lendkeep/reconcile/facts"
	"lendkeep/testdata/outside"
)

func needs(t *testing.T, programs ...string) {
	t.Helper()
	for _, program := range programs {
		if _, err := exec.LookPath(program); err != nil {
			outside.Missing(t, program+" is not here")
		}
	}
}

func invoke(t *testing.T, program string, arguments ...string) {
	t.Helper()
	said, err := exec.Command(program, arguments...).CombinedOutput()
	require.NoError(t, err, "%s %v: %s", program, arguments, said)
}

// surveyed looks into a file as a survey does into a raw image.
func surveyed(t *testing.T, path string) facts.Content {
	t.Helper()
	s := &facts.Survey{}
	Contents{Systems: system.Look}.Survey(t.Context(), s, nil, []facts.StatedImage{{Path: path, Format: "raw"}})
	return s.Contents[0]
}

func empty(t *testing.T, size int64) string {
	path := filepath.Join(t.TempDir(), "disk")
	require.NoError(t, os.WriteFile(path, nil, 0o600))
	require.NoError(t, os.Truncate(path, size))
	return path
}

const mib = 1 << 20

// tails are what arrays and mirrors keep at the end of a drive, as bytes from
// its end (util-linux, libblkid/src/superblocks, the file of each; gmirror, which
// blkid does not know: FreeBSD sys/geom/mirror/g_mirror.h, in the last sector).
var tails = map[string]struct {
	kind    string
	fromEnd int64
	content string
}{
	"adaptec":       {"adaptec_raid_member", 512, "\x37\xfc\x4d\x1e" + zeroes(252) + "DPTM"},
	"nvidia":        {"nvidia_raid_member", 1024, "NVIDIA"},
	"promise":       {"promise_fasttrack_raid_member", 63 * 512, "Promise Technology, Inc."},
	"promise, far":  {"promise_fasttrack_raid_member", 3087 * 512, "Promise Technology, Inc."},
	"via":           {"via_raid_member", 512, "\x55\xaa\x01" + zeroes(47) + "\x00"},                                     // its sum is 0x100
	"silicon image": {"silicon_medley_raid_member", 512, zeroes(0x60) + "\x00\x00\x00\x2f" + zeroes(0xda) + "\x00\xd1"}, // as is this
	"jmicron":       {"jmicron_raid_member", 512, "JM"},
	"lsi":           {"lsi_mega_raid_member", 512, "$XIDE$"},
	"hpt45x":        {"hpt45x_raid_member", 11 * 512, "\xf3\x16\x78\x5a"},
	"drbd 8":        {"drbd", 4096, zeroes(60) + "\x83\x74\x02\x6b"},
	"drbd 9":        {"drbd", 4096, zeroes(60) + "\x83\x74\x02\x6d"},
	"gmirror":       {"geom_member", 512, "GEOM::MIRROR\x00\x00\x00\x00\x04"},
}

func zeroes(n int) string { return string(make([]byte, n)) }

// inside makes a disk of 64 MiB with a GPT as whoever exposes only the first 60
// of them sees it.
func inside(t *testing.T) string {
	needs(t, "sgdisk", "blkid", "wipefs")
	path := empty(t, 60*mib)
	invoke(t, "sgdisk", "-n", "1:2048:+16M", path)
	require.NoError(t, os.Truncate(path, 64*mib))
	return path
}

func TestTableInsideAMember(t *testing.T) {
	c := surveyed(t, inside(t))
	require.Empty(t, c.Gaps)
	assert.Nil(t, c.Signature, "only a table on a larger drive")
	for name, tail := range tails {
		t.Run(name, func(t *testing.T) {
			path := inside(t)
			fill(t, path, 64*mib-tail.fromEnd, []byte(tail.content))
			c := surveyed(t, path)
			require.NotNil(t, c.Table)
			require.NotNil(t, c.Signature)
			assert.Equal(t, tail.kind, c.Signature.Kind)
			assert.Equal(t, "raid", c.Signature.Usage)
			assert.False(t, c.Bare() || c.Blank)

			// Each reader alone sees it; gmirror is known to ours only.
			file, err := os.Open(path)
			require.NoError(t, err)
			defer file.Close()
			assert.Equal(t, tail.kind, content.Read(file, "x", 64*mib, 512, false).Signature.Kind)
			answer, err := probe.Blkid(t.Context(), file, 0, 64*mib)
			require.NoError(t, err)
			if name != "gmirror" {
				assert.Equal(t, tail.kind, answer.Kind)
			}
		})
	}
}

// Bytes of nobody knows whom, behind the table's end.
func TestUnknownEndIsAGap(t *testing.T) {
	for _, at := range []int64{64*mib - 1, 63*mib + 100} {
		path := inside(t)
		fill(t, path, at, []byte("?"))
		assert.Contains(t, surveyed(t, path).Gaps[0].Reason, "not the table's", at)
	}
	// A table whose place for partitions ends early.
	path := inside(t)
	require.NoError(t, os.Truncate(path, 60*mib))
	require.Empty(t, surveyed(t, path).Gaps)
}

func TestNotBlank(t *testing.T) {
	needs(t, "blkid", "wipefs", "mkfs.ext4", "mkfs.btrfs", "mkfs.xfs")
	assert.True(t, surveyed(t, empty(t, 64*mib)).Blank)
	assert.True(t, surveyed(t, empty(t, 8192)).Blank)
	assert.False(t, surveyed(t, empty(t, 0)).Blank)
	for name, make := range map[string]func(t *testing.T) string{
		"text at 30 MiB": func(t *testing.T) string {
			path := empty(t, 64*mib)
			fill(t, path, 30*mib, []byte("reel 7"))
			return path
		},
		"ext4 where a table was": func(t *testing.T) string {
			path := empty(t, 64*mib)
			invoke(t, "mkfs.ext4", "-q", "-E", "offset=1048576", path, "32M")
			return path
		},
		"btrfs without its front": func(t *testing.T) string { return headless(t, "mkfs.btrfs", "-q") },
		"ext4 without its front":  func(t *testing.T) string { return headless(t, "mkfs.ext4", "-q") },
		"xfs without its front":   func(t *testing.T) string { return headless(t, "mkfs.xfs", "-q") },
	} {
		t.Run(name, func(t *testing.T) {
			c := surveyed(t, make(t))
			assert.Empty(t, c.Gaps)
			assert.False(t, c.Blank)
		})
	}
}

// headless gives a filesystem of 400 MiB whose first MiB is zeroes.
func headless(t *testing.T, program string, arguments ...string) string {
	path := empty(t, 400*mib)
	invoke(t, program, append(arguments, path)...)
	fill(t, path, 0, make([]byte, mib))
	return path
}

func TestSample(t *testing.T) {
	const terabyte = uint64(1) << 40
	for _, size := range []uint64{terabyte, terabyte + 512, 1024 * mib, 1024*mib + 512, 5*mib + 5000, 1} {
		r := &places{}
		zero, err := zeroSample(t.Context(), r, size)
		require.NoError(t, err)
		assert.True(t, zero)
		step := uint64(4096)
		if size <= 1024*mib {
			step = mib // every one of them
		}
		blocks := (size + step - 1) / step
		seen := slices.Sorted(slices.Values(r.at))
		require.Len(t, seen, int(min(blocks, 65536)))
		for i, at := range seen {
			require.Zero(t, at%int64(step))
			if i > 0 {
				require.LessOrEqual(t, uint64(at-seen[i-1]), (blocks+65535)/65536*step)
			}
		}
	}
	stopped, cancel := context.WithCancel(t.Context())
	cancel()
	_, err := zeroSample(stopped, &places{}, terabyte)
	require.ErrorIs(t, err, context.Canceled)
	c := facts.Content{SizeBytes: terabyte, EndsZero: true}
	blank(stopped, &places{}, &c)
	assert.False(t, c.Blank, "a sample that did not end says nothing")
	blank(t.Context(), &places{fails: true}, &c)
	assert.False(t, c.Blank)
	assert.Equal(t, "sample", c.Gaps[0].Fact)
}

// places is a disk of zeroes that notes where it is read.
type places struct {
	mu    sync.Mutex
	at    []int64
	fails bool
}

func (p *places) ReadAt(b []byte, at int64) (int, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.fails {
		return 0, errors.New("input/output error")
	}
	p.at = append(p.at, at)
	clear(b)
	return len(b), nil
}

// The readers contradict each other, or one of them is missing: a gap.
func TestReadersDisagree(t *testing.T) {
	needs(t, "blkid", "wipefs", "mkfs.ext4", "sgdisk")
	gpt := &facts.Table{Kind: "gpt"}
	ext4 := &facts.Signature{Kind: "ext4", Usage: "filesystem"}
	md := &facts.Signature{Kind: "linux_raid_member", Usage: "raid"}
	for _, c := range []struct {
		table         *facts.Table
		ours          *facts.Signature
		kinds, tables []string
		want          string // kind of the signature
		gap           bool
	}{
		{nil, nil, nil, nil, "", false},
		{gpt, nil, nil, []string{"gpt"}, "", false},
		{gpt, nil, nil, nil, "", false},
		{gpt, nil, nil, []string{"gpt", "mac"}, "", true},
		{gpt, nil, nil, []string{"dos"}, "", true},
		{nil, nil, nil, []string{"sun"}, "sun", false},
		{nil, nil, nil, []string{"sun", "bsd"}, "", true},
		{nil, ext4, []string{"ext4"}, nil, "ext4", false},
		{nil, ext4, []string{"ext4"}, []string{"dos"}, "ext4", false},
		{nil, ext4, []string{"ext4"}, []string{"sun"}, "ext4", true},
		{nil, ext4, []string{"xfs"}, nil, "ext4", true},
		{nil, ext4, []string{"ext4", "xfs"}, nil, "ext4", true},
		{nil, ext4, nil, nil, "ext4", false},
		{nil, nil, []string{"zonefs"}, nil, "zonefs", false},
		{nil, nil, []string{"zonefs", "xfs"}, nil, "", true},
		{nil, md, []string{"linux_raid_member", "ext4"}, nil, "linux_raid_member", false},
		{gpt, nil, []string{"drbd"}, []string{"gpt"}, "drbd", false},
	} {
		_, s, err := agreed(c.table, c.ours, c.kinds, c.tables, "")
		kind := ""
		if s != nil {
			kind = s.Kind
		}
		assert.Equal(t, c.want, kind, c)
		assert.Equal(t, c.gap, err != nil, "%v: %v", c, err)
	}
	_, s, _ := agreed(nil, nil, []string{"newer than this list"}, nil, "")
	assert.Equal(t, "unknown", s.Usage)

	disk := inside(t)
	blank := empty(t, 4*mib)
	t.Setenv("PATH", t.TempDir())
	c := surveyed(t, blank)
	assert.False(t, c.Blank)
	assert.Contains(t, c.Gaps[0].Reason, "not installed")
	c = surveyed(t, disk)
	assert.NotEmpty(t, c.Gaps)
	assert.Contains(t, c.Volumes[0].Gap, "not installed")
}

// What only blkid knows is not taken for nothing, and not for clean.
func TestPartitionsBeside(t *testing.T) {
	path := inside(t)
	fill(t, path, mib, []byte("UBI#\x01")) // which only blkid looks for
	c := surveyed(t, path)
	require.Len(t, c.Volumes, 1)
	require.NotNil(t, c.Volumes[0].Signature)
	assert.Equal(t, "ubi raid", c.Volumes[0].Signature.Kind+" "+c.Volumes[0].Signature.Usage)
	fill(t, path, mib, []byte("\x00\x00\x00\x00\x00\x00\x00"))
	fill(t, path, mib+1024+0x38, []byte("\x53\xef")) // an ext that blkid does not believe
	c = surveyed(t, path)
	require.NotNil(t, c.Volumes[0].Signature)
	assert.NotEqual(t, facts.Clean, c.Volumes[0].Condition)
	// A guest's disk: a partition with a table of its own.
	path = inside(t)
	guest := empty(t, 16*mib)
	invoke(t, "sgdisk", "-n", "1:2048:0", guest)
	fill(t, path, mib, wholeOf(t, guest))
	c = surveyed(t, path)
	require.NotNil(t, c.Volumes[0].Signature)
	assert.Equal(t, facts.Signature{Kind: "gpt", Usage: "partition-table"}, *c.Volumes[0].Signature)
}
