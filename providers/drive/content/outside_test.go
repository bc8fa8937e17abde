package content

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/facts"
	"lendkeep/testdata/outside"
)

// invoke runs a program; what it says is part of the failure.
func invoke(t testing.TB, program string, arguments ...string) string {
	t.Helper()
	command := exec.Command(program, arguments...)
	command.Env = append(os.Environ(), "LC_ALL=C.UTF-8",
		"TEST_DIR=1", "TEST_DEV=1", "QA_CHECK_FS=1") // lets mkfs.xfs make a short log
	said, err := command.CombinedOutput()
	require.NoError(t, err, "%s %v: %s", program, arguments, said)
	return string(said)
}

func blank(t testing.TB, size int64) string {
	path := filepath.Join(t.TempDir(), "volume")
	require.NoError(t, os.WriteFile(path, nil, 0o600))
	require.NoError(t, os.Truncate(path, size))
	return path
}

// looked looks into a file.
func looked(t testing.TB, path string) finding {
	t.Helper()
	file, err := os.Open(path)
	require.NoError(t, err)
	defer file.Close()
	stat, err := file.Stat()
	require.NoError(t, err)
	found, err := look(newVolume(file, 0, uint64(stat.Size())))
	require.NoError(t, err)
	return found
}

// blkid gives what libblkid sees, as a signature.
func blkid(t testing.TB, path string) *facts.Signature {
	t.Helper()
	s := facts.Signature{Label: strings.TrimSuffix(invoke(t, "blkid", "--probe", "--output", "value", "--match-tag", "LABEL", path), "\n")}
	for line := range strings.Lines(invoke(t, "blkid", "--probe", "--output", "full", path)) {
		for part := range strings.SplitSeq(strings.TrimPrefix(strings.TrimSpace(line), path+": "), "\" ") {
			name, value, _ := strings.Cut(strings.TrimSuffix(part, "\""), "=\"")
			switch name {
			case "TYPE":
				s.Kind = value
			case "USAGE":
				s.Usage = value
			case "UUID":
				s.UUID = value
			}
		}
	}
	return &s
}

// installed are the makers that make test installs.
var installed = []string{"mkfs.ext2", "mkfs.ext3", "mkfs.ext4", "mkfs.xfs", "mkntfs", "mkfs.vfat", "mkswap"}

// cases are volumes as their makers make them. A maker that is not here skips its
// case.
var cases = map[string]struct {
	mib       int64
	make      []string // the path is put behind, or where {} stands
	condition facts.Condition
}{
	"ext2":             {8, []string{"mkfs.ext2", "-q", "-L", "reels"}, facts.Clean},
	"ext3":             {16, []string{"mkfs.ext3", "-q", "-L", "reels"}, facts.Clean},
	"ext4":             {32, []string{"mkfs.ext4", "-q", "-L", "sixteen letters."}, facts.Clean},
	"ext4 of 4096":     {32, []string{"mkfs.ext4", "-q", "-b", "4096", "-O", "metadata_csum"}, facts.Clean},
	"ext4, no journal": {32, []string{"mkfs.ext4", "-q", "-O", "^has_journal"}, facts.Clean},
	"xfs":              {320, []string{"mkfs.xfs", "-q", "-L", "shelf"}, facts.Clean},
	"xfs of 4096":      {320, []string{"mkfs.xfs", "-q", "-s", "size=4096"}, facts.Clean},
	"xfs, stripe":      {600, []string{"mkfs.xfs", "-q", "-d", "su=64k,sw=4", "-l", "su=256k"}, facts.Clean},
	"xfs, short log":   {320, []string{"mkfs.xfs", "-q", "-l", "size=8m"}, facts.Clean},
	"xfs, version 4":   {320, []string{"mkfs.xfs", "-q", "-m", "crc=0", "-L", "old"}, facts.Clean},
	"ntfs":             {16, []string{"mkntfs", "-q", "-F", "-Q", "-L", "Grading größer"}, facts.Clean},
	"ntfs of 64k":      {64, []string{"mkntfs", "-q", "-F", "-Q", "-c", "65536"}, facts.Clean},
	"fat12":            {2, []string{"mkfs.vfat", "-F", "12"}, facts.UnsureIfClean},
	"fat16":            {16, []string{"mkfs.vfat", "-F", "16", "-n", "SHELF"}, facts.Clean},
	"fat16, no name":   {16, []string{"mkfs.vfat", "-F", "16"}, facts.Clean},
	"fat32":            {64, []string{"mkfs.vfat", "-F", "32", "-n", "EFI SYSTEM"}, facts.Clean},
	"fat32 of 4096":    {300, []string{"mkfs.vfat", "-F", "32", "-S", "4096"}, facts.Clean},
	"exfat":            {16, []string{"mkfs.exfat", "-L", "Grading"}, facts.Clean},
	"btrfs":            {128, []string{"mkfs.btrfs", "-q", "-L", "a long label of btrfs"}, facts.UnsureIfClean},
	"swap":             {8, []string{"mkswap", "-L", "pages"}, ""},
	"swap of 64k":      {8, []string{"mkswap", "-p", "65536"}, ""},
	"luks1":            {8, []string{"cryptsetup", "luksFormat", "--type", "luks1", "--batch-mode", "--pbkdf-force-iterations", "1000", "--key-file", "/etc/hostname"}, ""},
	"luks2":            {32, []string{"cryptsetup", "luksFormat", "--type", "luks2", "--label", "vault", "--batch-mode", "--pbkdf", "pbkdf2", "--pbkdf-force-iterations", "1000", "--key-file", "/etc/hostname"}, ""},
	"f2fs":             {64, []string{"mkfs.f2fs", "-q"}, facts.UnsureIfClean},
	"udf":              {8, []string{"mkudffs"}, facts.UnsureIfClean},
	"iso9660":          {1, []string{"genisoimage", "-quiet", "-V", "CATALOGUE", "-o", "{}", "/etc/hostname"}, facts.Clean},
}

func TestAgreesWithBlkid(t *testing.T) {
	if _, err := exec.LookPath("blkid"); err != nil {
		outside.Missing(t, "blkid (util-linux) is not here")
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			path := made(t, name)
			found := looked(t, path)
			require.NotNil(t, found.signature)
			want := blkid(t, path)
			if name == "f2fs" || name == "udf" {
				want.UUID, want.Label = "", "" // only recognised here
			}
			assert.Equal(t, want, found.signature)
			assert.Equal(t, c.condition, found.condition, found.why)
			assert.Equal(t, c.condition == "", found.why == "")
		})
	}
}

func TestVolumeGroupMember(t *testing.T) {
	if _, err := exec.LookPath("pvcreate"); err != nil {
		t.Skip("pvcreate (lvm2) is not here")
	}
	path := blank(t, 16<<20)
	command := exec.Command("pvcreate", "--quiet", "--config", `devices { scan="`+filepath.Dir(path)+`" } global { locking_type=0 }`, path)
	if said, err := command.CombinedOutput(); err != nil { // it takes block devices only
		loop := loopOf(t, path)
		said2 := invoke(t, "pvcreate", "--quiet", "--yes", loop)
		t.Logf("on a file: %s; on %s: %s", said, loop, said2)
	}
	assert.Equal(t, blkid(t, path), looked(t, path).signature)
}

// loopOf gives a loop device over a file.
func loopOf(t *testing.T, path string) string {
	if os.Geteuid() != 0 {
		t.Skip("loop devices take root")
	}
	said, err := exec.Command("losetup", "--find", "--show", path).CombinedOutput()
	if err != nil {
		t.Skipf("no loop device: %v: %s", err, said)
	}
	node := strings.TrimSpace(string(said))
	t.Cleanup(func() { assert.NoError(t, exec.Command("losetup", "--detach", node).Run()) })
	return node
}
