package firmware

import (
	"encoding/binary"
	"errors"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"lendkeep/providers/formats/esp"
	"lendkeep/providers/formats/table"
	"lendkeep/reconcile/facts"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// foundESP is a system partition as it is read again.
type foundESP struct {
	Partition facts.SystemPartition
	Loaders   []string
	Gap       error
}

func readDisk(t testing.TB, disk []byte) []foundESP {
	t.Helper()
	return readESPs(t, memory(disk), len(disk))
}

func readESPs(t testing.TB, disk io.ReaderAt, size int) []foundESP {
	t.Helper()
	read, err := table.Read(disk, uint64(size), 512)
	require.NoError(t, err)
	require.NotNil(t, read)
	var list []foundESP
	for _, e := range read.Entries {
		require.Equal(t, facts.TypeESP, e.Type)
		found := foundESP{Partition: facts.SystemPartition{Number: e.Number, ID: e.ID, First: e.First, Sectors: e.Last - e.First + 1}}
		bytes := int64(found.Partition.Sectors) * 512
		found.Loaders, found.Gap = esp.Loaders(io.NewSectionReader(disk, int64(e.First)*512, bytes), bytes)
		list = append(list, found)
	}
	return list
}

func TestReadESPs(t *testing.T) {
	program := makeProgram(subsystemApp, "loader")
	files := map[string][]byte{
		"EFI/BOOT/BOOTX64.EFI":             program,
		"EFI/Microsoft/Boot/bootmgfw.efi":  program,
		"EFI/Microsoft/Boot/BCD":           []byte("no program by name"),
		"EFI/a-long-vendor-name/shim4.efi": []byte("garbage"),
		"README.EFI":                       program, // not below \EFI
		"EFI/deep/er/and/deeper/lost.efi":  program,
		"EFI/empty/none.efi":               {},
	}
	disk := makeDisk(t, testESP{id: testID(1), files: files}, testESP{id: testID(2), files: files, fat32: true}, testESP{id: testID(3)})
	list := readDisk(t, disk)
	require.Len(t, list, 3)
	for i, found := range list[:2] {
		assert.NoError(t, found.Gap)
		assert.Equal(t, i+1, found.Partition.Number)
		assert.Equal(t, strings.ToLower(testID(i+1)), found.Partition.ID)
		assert.ElementsMatch(t, []string{`\EFI\BOOT\BOOTX64.EFI`, `\EFI\Microsoft\Boot\bootmgfw.efi`, `\EFI\a-long-vendor-name\shim4.efi`, `\EFI\empty\none.efi`}, found.Loaders)
	}
	assert.Equal(t, uint64(2048), list[0].Partition.First)
	assert.Equal(t, uint64(16384), list[0].Partition.Sectors)
	assert.Empty(t, list[2].Loaders)
	assert.NoError(t, list[2].Gap)
}

// Filesystems as dosfstools makes them and mtools fills them, of every width
// and with other sector sizes than the usual one.
func TestReadFATOfOtherTools(t *testing.T) {
	mkfs, mmd, mcopy := outsideProgram(t, "mkfs.fat", "dosfstools"), outsideProgram(t, "mmd", "mtools"), outsideProgram(t, "mcopy", "mtools")
	for name, c := range map[string]struct {
		mebibytes int64
		arguments []string
	}{
		"FAT12":                  {2, []string{"-F", "12"}},
		"FAT16":                  {20, []string{"-F", "16", "-s", "1"}},
		"FAT16, one table":       {20, []string{"-F", "16", "-s", "2", "-f", "1"}},
		"FAT32":                  {40, []string{"-F", "32", "-s", "1"}},
		"FAT32, sectors of 4096": {300, []string{"-F", "32", "-s", "1", "-S", "4096"}},
	} {
		t.Run(name, func(t *testing.T) {
			image := filepath.Join(t.TempDir(), "image")
			size := c.mebibytes << 20
			require.NoError(t, os.WriteFile(image, nil, 0o644))
			require.NoError(t, os.Truncate(image, size))
			loader := filepath.Join(t.TempDir(), "loader")
			require.NoError(t, os.WriteFile(loader, makeProgram(subsystemApp, "loader"), 0o644))
			for _, command := range [][]string{
				append([]string{mkfs}, append(c.arguments, image)...),
				{mmd, "-i", image, "::/EFI", "::/EFI/BOOT", "::/EFI/vendor with a long name"},
				{mcopy, "-i", image, loader, "::/EFI/BOOT/BOOTX64.EFI"},
				{mcopy, "-i", image, loader, "::/EFI/vendor with a long name/grub loader.efi"},
			} {
				out, err := exec.Command(command[0], command[1:]...).CombinedOutput()
				require.NoError(t, err, "%v: %s", command, out)
			}
			file, err := os.Open(image)
			require.NoError(t, err)
			defer file.Close()
			loaders, err := esp.Loaders(file, size)
			require.NoError(t, err)
			assert.ElementsMatch(t, []string{`\EFI\BOOT\BOOTX64.EFI`, `\EFI\vendor with a long name\grub loader.efi`}, loaders)
		})
	}
}

// Damage gives a gap or an error, never an empty answer that looks whole.
func TestReadDamagedESPs(t *testing.T) {
	const (
		esp = 2048 * 512
		fat = esp + 4*512 // the library reserves four sectors
	)
	le := binary.LittleEndian
	disk := func() []byte {
		return makeDisk(t, testESP{id: testID(1), files: map[string][]byte{"EFI/BOOT/BOOTX64.EFI": makeProgram(subsystemApp, "loader")}})
	}
	// FAT16: clusters 3 and 4 are \EFI and \EFI\BOOT, behind the one that the
	// library leaves for a root folder.
	for name, change := range map[string]func(b []byte){
		"no boot sector":         func(b []byte) { clear(b[esp : esp+512]) },
		"sector size":            func(b []byte) { le.PutUint16(b[esp+11:], 3) },
		"no clusters":            func(b []byte) { b[esp+13] = 0 },
		"cluster size":           func(b []byte) { b[esp+13] = 3 },
		"larger than partition":  func(b []byte) { le.PutUint16(b[esp+19:], 0xFFFF) },
		"table too small":        func(b []byte) { le.PutUint16(b[esp+22:], 1) },
		"no table":               func(b []byte) { b[esp+16] = 0 },
		"circular folder":        func(b []byte) { le.PutUint16(b[fat+2*3:], 3) },
		"chain to a free one":    func(b []byte) { le.PutUint16(b[fat+2*3:], 0) },
		"chain out of the disk":  func(b []byte) { le.PutUint16(b[fat+2*3:], 0xFFF0) },
		"chain to a bad cluster": func(b []byte) { le.PutUint16(b[fat+2*4:], 0xFFF7) },
	} {
		t.Run(name, func(t *testing.T) {
			b := disk()
			change(b)
			list := readDisk(t, b)
			require.Len(t, list, 1)
			assert.Error(t, list[0].Gap)
		})
	}
	t.Run("unreadable sector", func(t *testing.T) {
		b := disk()
		list := readESPs(t, brokenAt{memory(b), fat + 2*3}, len(b))
		assert.ErrorIs(t, list[0].Gap, errMedium)
	})
}

var errMedium = errors.New("medium error")

// brokenAt is a disk with one sector that cannot be read.
type brokenAt struct {
	memory
	at int64
}

func (d brokenAt) ReadAt(b []byte, at int64) (int, error) {
	if at <= d.at && d.at < at+int64(len(b)) {
		return 0, errMedium
	}
	return d.memory.ReadAt(b, at)
}
