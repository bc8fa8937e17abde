package drive

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/formats/ntfs"
	"lendkeep/reconcile/facts"
	"lendkeep/testdata/outside"
	"lendkeep/testdata/windows"
)

// partitionAt is where the only partition of a drive with a Windows begins.
const partitionAt = 2 << 20

// withWindows puts an NTFS with a Windows onto a drive.
func withWindows(t *testing.T, drives Drives, d facts.Drive, path string, changes ...windows.Alter) {
	volume, err := os.ReadFile(windows.Volume(t, 12, map[string][]byte{
		"Windows/System32/config/SYSTEM":        windows.Hive(windows.System(changes...)),
		"Windows/System32/config/SOFTWARE":      windows.Hive(windows.Software()),
		"Windows/System32/drivers/stornvme.sys": []byte("MZ"),
	}))
	require.NoError(t, err)
	table := shelf(d)
	table.Entries[0].Type = "ebd0a0a2-b9e5-4433-87c0-68b6b72699c7"
	require.NoError(t, drives.WriteTable(t.Context(), d, nil, table, "a"))
	fill(t, path, partitionAt, volume)
}

// systemOn gives what a survey sees of a drive that is a file, or a device.
func systemOn(t *testing.T, path string) *facts.Installed {
	s := surveyed(t, path)
	return s.System
}

// onDisk gives the volume's own bytes as a file, for other programs.
func onDisk(t *testing.T, path string) string {
	volume := filepath.Join(t.TempDir(), "volume")
	b := wholeOf(t, path)
	require.NoError(t, os.WriteFile(volume, b[partitionAt:partitionAt+12<<20], 0o600))
	return volume
}

// told has other programs read the two numbers: ntfscat the hive, hivexget them.
func told(t *testing.T, path string) string {
	for _, program := range []string{"ntfscat", "ntfsfix", "hivexget"} {
		if _, err := exec.LookPath(program); err != nil {
			outside.Missing(t, program+" is not here")
		}
	}
	volume := onDisk(t, path)
	said, err := exec.Command("ntfsfix", "--no-action", volume).CombinedOutput()
	require.NoError(t, err, "%s", said)
	hive, err := exec.Command("ntfscat", volume, "Windows/System32/config/SYSTEM").Output()
	require.NoError(t, err)
	file := filepath.Join(t.TempDir(), "hive")
	require.NoError(t, os.WriteFile(file, hive, 0o600))
	var all []byte
	for _, c := range [][2]string{{"", "Start"}, {`\StartOverride`, "0"}} {
		said, err := exec.Command("hivexget", file, `ControlSet001\Services\stornvme`+c[0], c[1]).CombinedOutput()
		require.NoError(t, err, "%s", said)
		all = append(all, bytes.TrimSpace(said)...)
	}
	return string(all)
}

var bothWrong = []windows.Alter{windows.Start("stornvme", 3), windows.Over("stornvme", "0", 3)}

func TestStartAtBoot(t *testing.T) {
	for name, make := range map[string]func(*testing.T, int64, uint64) (Drives, facts.Drive, string){"file": standIn, "loop": loop} {
		for _, sector := range []uint64{512, 4096} {
			t.Run(name, func(t *testing.T) {
				drives, d, path := make(t, 16<<20, sector)
				withWindows(t, drives, d, path, bothWrong...)
				before := wholeOf(t, path)
				if sector == 512 && name == "file" {
					a := systemOn(t, path).Answer(facts.AsksDriver)
					require.True(t, a.Mendable, "%+v", a)
				}
				require.Equal(t, "33", told(t, path))

				require.NoError(t, drives.UndoStartAtBoot(t.Context(), d, "order.1"), "nothing is kept yet")
				require.NoError(t, drives.StartAtBoot(t.Context(), d, "order.1"))
				after := wholeOf(t, path)
				changed := 0
				for i := range before {
					if before[i] != after[i] {
						changed++
						assert.Equal(t, []byte{3, 0}, []byte{before[i], after[i]})
					}
				}
				assert.Equal(t, 2, changed)
				assert.Equal(t, "00", told(t, path))
				require.NoError(t, drives.StartAtBoot(t.Context(), d, "order.1"), "called again")
				assert.True(t, bytes.Equal(after, wholeOf(t, path)))
				require.NoError(t, drives.UndoStartAtBoot(t.Context(), d, "order.1"))
				assert.True(t, bytes.Equal(before, wholeOf(t, path)))
				require.NoError(t, drives.UndoStartAtBoot(t.Context(), d, "order.1"), "called again")
				assert.True(t, bytes.Equal(before, wholeOf(t, path)))
			})
		}
	}
}

// wordAt gives the byte of the drive at which a number of the driver stands.
func wordAt(t *testing.T, drives Drives, d facts.Drive, name string) int64 {
	file, err := drives.openDrive(t.Context(), d, 0)
	require.NoError(t, err)
	defer file.Close()
	words, err := file.startWords(t.Context())
	require.NoError(t, err)
	for _, w := range words {
		if w.Name == `Services\stornvme\`+name {
			return int64(w.At)
		}
	}
	require.Fail(t, "no word "+name)
	return 0
}

// Cut off between the two it goes on, and undoes both.
func TestStartAtBootGoesOn(t *testing.T) {
	drives, d, path := standIn(t, 16<<20, 512)
	withWindows(t, drives, d, path, bothWrong...)
	before := wholeOf(t, path)
	at := wordAt(t, drives, d, "Start")
	require.NoError(t, drives.StartAtBoot(t.Context(), d, "a"))
	after := wholeOf(t, path)
	fill(t, path, at, before[at:at+4])
	require.NoError(t, drives.StartAtBoot(t.Context(), d, "a"))
	assert.True(t, bytes.Equal(after, wholeOf(t, path)))
	fill(t, path, at, before[at:at+4])
	require.NoError(t, drives.UndoStartAtBoot(t.Context(), d, "a"))
	assert.True(t, bytes.Equal(before, wholeOf(t, path)))
}

func TestStartAtBootRefuses(t *testing.T) {
	hive := func(change func(b []byte)) func(*testing.T, Drives, facts.Drive, string) {
		return func(t *testing.T, _ Drives, _ facts.Drive, path string) {
			b := wholeOf(t, path)
			v, err := ntfs.Open(bytes.NewReader(b[partitionAt:]), 12<<20)
			require.NoError(t, err)
			f, err := v.Find("Windows", "System32", "config", "SYSTEM")
			require.NoError(t, err)
			at, err := f.Place(0, 4096)
			require.NoError(t, err)
			change(b[partitionAt+at:])
			fill(t, path, partitionAt+int64(at), b[partitionAt+at:partitionAt+at+4096])
		}
	}
	for name, c := range map[string]struct {
		changes []windows.Alter
		damage  func(*testing.T, Drives, facts.Drive, string)
		says    string
	}{
		"hive not clean": {bothWrong, hive(func(b []byte) { b[8]++; windows.Seal(b) }), "was not written in full"},
		"volume not clean": {bothWrong, func(t *testing.T, _ Drives, _ facts.Drive, path string) {
			volume := onDisk(t, path)
			said, err := exec.Command("ntfsfix", volume).CombinedOutput()
			require.NoError(t, err, "%s", said)
			fill(t, path, partitionAt, wholeOf(t, volume))
		}, "its volume is dirty"},
		"hibernated": {bothWrong, func(t *testing.T, _ Drives, _ facts.Drive, path string) {
			volume := onDisk(t, path)
			windows.Change(t, volume, "sh", "-c", "head -c 9000 /dev/zero | sed 's/^..../HIBR/' > hiberfil.sys")
			fill(t, path, partitionAt, wholeOf(t, volume))
		}, "its volume is hibernated"},
		"another override": {append(bothWrong, windows.Over("stornvme", "1", 3)), nil, "is not known"},
		"pci overridden":   {append(bothWrong, windows.Start("pci", 0), windows.Over("pci", "0", 3)), nil, "pci is kept"},
		"no service":       {[]windows.Alter{windows.Without(`ControlSet001\Services\stornvme`)}, nil, "it is not there"},
		"no Windows": {nil, func(t *testing.T, _ Drives, _ facts.Drive, path string) {
			fill(t, path, partitionAt, make([]byte, 1<<20))
		}, "no installed system is seen"},
		"half a copy": {bothWrong, func(t *testing.T, _ Drives, _ facts.Drive, path string) {
			fill(t, path, 0, []byte(facts.UnfinishedMark+"a\n"))
		}, "no installed system is seen"},
		"part of something": {bothWrong, func(t *testing.T, _ Drives, _ facts.Drive, path string) {
			fill(t, path, 16<<20-4096, []byte(zeroes(60)+"\x83\x74\x02\x6b"))
		}, "as a whole is marked as drbd"},
	} {
		t.Run(name, func(t *testing.T) {
			drives, d, path := standIn(t, 16<<20, 512)
			withWindows(t, drives, d, path, c.changes...)
			if c.damage != nil {
				c.damage(t, drives, d, path)
			}
			before := wholeOf(t, path)
			require.ErrorContains(t, drives.StartAtBoot(t.Context(), d, "a"), c.says)
			assert.True(t, bytes.Equal(before, wholeOf(t, path)))
			assert.NoFileExists(t, filepath.Join(drives.Folder, "a.start.ends"))
		})
	}
}

// What Windows, or anybody, has changed since is not undone.
func TestUndoStartAtBootRefuses(t *testing.T) {
	drives, d, path := standIn(t, 16<<20, 512)
	withWindows(t, drives, d, path, bothWrong...)
	at := wordAt(t, drives, d, "Start")
	require.NoError(t, drives.StartAtBoot(t.Context(), d, "a"))
	fill(t, path, at, []byte{2})
	before := wholeOf(t, path)
	require.ErrorContains(t, drives.UndoStartAtBoot(t.Context(), d, "a"), "something else stands")
	require.ErrorContains(t, drives.StartAtBoot(t.Context(), d, "a"), "something else stands")
	assert.True(t, bytes.Equal(before, wholeOf(t, path)))
	// The registry was written anew, elsewhere.
	withWindows(t, drives, d, path, append(bothWrong, windows.Start("another", 1))...)
	before = wholeOf(t, path)
	require.Error(t, drives.UndoStartAtBoot(t.Context(), d, "a"))
	assert.True(t, bytes.Equal(before, wholeOf(t, path)))
	other := d
	other.Serial = "RL-4410-0074"
	require.Error(t, drives.UndoStartAtBoot(t.Context(), other, "a"))
}
