package drive

import (
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"lendkeep/providers/drive/system"
	"lendkeep/reconcile/facts"
)

const serial = "RL-4410-0073"

// loop gives a loop device of that size over a sparse file, as a drive and the
// Drives that find it. Skips where there are none.
func loop(t *testing.T, bytes int64, sector uint64) (Drives, facts.Drive, string) {
	t.Helper()
	if os.Geteuid() != 0 {
		t.Skip("loop devices take root")
	}
	file := filepath.Join(t.TempDir(), "drive")
	require.NoError(t, os.WriteFile(file, nil, 0o600))
	require.NoError(t, os.Truncate(file, bytes))
	said, err := exec.Command("losetup", "--find", "--show", "--partscan",
		"--sector-size", map[uint64]string{512: "512", 4096: "4096"}[sector], file).CombinedOutput()
	if err != nil {
		t.Skipf("no loop device: %v: %s", err, said)
	}
	node := strings.TrimSpace(string(said))
	t.Cleanup(func() {
		_ = exec.Command("partx", "--delete", node).Run() // there may be none
		assert.NoError(t, exec.Command("losetup", "--detach", node).Run())
	})
	find := func(facts.Drive) (Device, error) {
		devno, err := devnoOf("/", filepath.Base(node))
		return Device{Name: filepath.Base(node), Node: node, Devno: devno}, err
	}
	return Drives{Folder: t.TempDir(), Find: find, Openers: visibleOpeners, Systems: system.Look},
		facts.Drive{Controller: "reel", Serial: serial, Namespace: 1, SizeBytes: uint64(bytes), SectorBytes: sector}, node
}

// soon is for what is busy: the time until it is given up.
func soon(t *testing.T) context.Context {
	ctx, cancel := context.WithTimeout(t.Context(), 300*time.Millisecond)
	t.Cleanup(cancel)
	return ctx
}

func TestOpenDrive(t *testing.T) {
	for _, sector := range []uint64{512, 4096} {
		drives, d, node := loop(t, 8<<20, sector)
		file, err := drives.openDrive(t.Context(), d, 0)
		require.NoError(t, err)
		assert.Equal(t, node, file.Name())
		require.NoError(t, file.settled(t.Context()))

		_, err = drives.openDrive(soon(t), d, 0)
		assert.ErrorContains(t, err, "in use", "a second opening")
		require.NoError(t, file.Close())
		file, err = drives.openDrive(t.Context(), d, unix.O_DIRECT)
		require.NoError(t, err)
		require.NoError(t, file.Close())
	}
}

func TestOpenDriveRefuses(t *testing.T) {
	drives, d, node := loop(t, 8<<20, 512)
	for name, c := range map[string]struct {
		change func(*facts.Drive)
		says   string
	}{
		"another size":   {func(d *facts.Drive) { d.SizeBytes += 512 }, "it has 8388608 bytes, not 8389120"},
		"another sector": {func(d *facts.Drive) { d.SectorBytes = 4096 }, "its sectors have 512 bytes, not 4096"},
	} {
		t.Run(name, func(t *testing.T) {
			other := d
			c.change(&other)
			_, err := drives.openDrive(t.Context(), other, 0)
			assert.ErrorContains(t, err, c.says)
			assert.ErrorContains(t, err, serial)
		})
	}
	moved := drives
	moved.Find = func(d facts.Drive) (Device, error) {
		device, err := drives.Find(d)
		device.Devno.Minor++
		return device, err
	}
	_, err := moved.openDrive(t.Context(), d, 0)
	assert.ErrorContains(t, err, "the drive is ", "the node leads to another device")

	var asked int
	moved.Find = func(d facts.Drive) (Device, error) {
		device, err := drives.Find(d)
		if asked++; asked > 1 {
			device.Name = "loop99"
		}
		return device, err
	}
	_, err = moved.openDrive(t.Context(), d, 0)
	assert.ErrorContains(t, err, "is now loop99", "the drive got another name meanwhile")

	file, err := os.Open(node)
	require.NoError(t, err)
	_, err = drives.openDrive(soon(t), d, 0)
	assert.ErrorContains(t, err, "it is in use: open in drive.test", "as a guest has it")
	require.NoError(t, file.Close())
	file2, err := drives.openDrive(t.Context(), d, 0)
	require.NoError(t, err)
	require.NoError(t, file2.Close())
}

// A regular file is no drive unless a test says so.
func TestOpenDriveRefusesFiles(t *testing.T) {
	path := filepath.Join(t.TempDir(), "file")
	require.NoError(t, os.WriteFile(path, make([]byte, 4096), 0o600))
	d := facts.Drive{Serial: serial, Namespace: 1, SizeBytes: 4096, SectorBytes: 512}
	find := func(sector uint64) Drives {
		return Drives{Find: func(facts.Drive) (Device, error) { return Device{Name: "file", Node: path, SectorBytes: sector}, nil }, Openers: visibleOpeners}
	}
	file, err := find(512).openDrive(t.Context(), d, 0)
	require.NoError(t, err)
	require.NoError(t, file.settled(t.Context()))
	require.NoError(t, file.Close())
	drives := find(0)
	drives.Root = tree(t, map[string]string{"sys/class/block/file/dev": "7:1\n"})
	_, err = drives.openDrive(t.Context(), d, 0)
	assert.ErrorContains(t, err, "is not a block device")
}
