package firmware

import (
	"encoding/binary"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func readDisk(t testing.TB, disk []byte) []ESP {
	t.Helper()
	list, err := ReadESPs(memory(disk), int64(len(disk)), 512)
	require.NoError(t, err)
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
	for i, esp := range list[:2] {
		assert.Empty(t, esp.Gap)
		assert.Equal(t, i+1, esp.Partition.Number)
		assert.Equal(t, guid(testID(i+1)), esp.Partition.ID)
		assert.Len(t, esp.Loaders, 4)
		assert.Equal(t, &Loader{`\EFI\BOOT\BOOTX64.EFI`, int64(len(program)), machineX64}, esp.Loader(`\efi\boot\bootx64.efi`))
		assert.EqualValues(t, machineX64, esp.Loader(`\EFI\MICROSOFT\BOOT\BOOTMGFW.EFI`).Machine)
		assert.Equal(t, &Loader{Path: `\EFI\a-long-vendor-name\shim4.efi`, Bytes: 7}, esp.Loader(`\EFI\a-long-vendor-name\shim4.efi`))
		assert.EqualValues(t, 0, esp.Loader(`\EFI\empty\none.efi`).Bytes)
		assert.Nil(t, esp.Loader(`\README.EFI`))
	}
	assert.Equal(t, uint64(2048), list[0].Partition.First)
	assert.Equal(t, uint64(16384), list[0].Partition.Sectors)
	assert.Empty(t, list[2].Loaders)
	assert.Empty(t, list[2].Gap)
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
			esp := ESP{Partition: Partition{Sectors: uint64(size / 512)}}
			require.NoError(t, esp.read(file, 512))
			require.Len(t, esp.Loaders, 2)
			assert.NotNil(t, esp.Loader(`\EFI\BOOT\BOOTX64.EFI`))
			assert.EqualValues(t, machineX64, esp.Loader(`\EFI\vendor with a long name\grub loader.efi`).Machine)
		})
	}
}

// Damage gives a gap or an error, never an empty answer that looks whole.
func TestReadDamagedESPs(t *testing.T) {
	const (
		esp   = 2048 * 512
		table = esp + 4*512 // the library reserves four sectors
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
		"circular folder":        func(b []byte) { le.PutUint16(b[table+2*3:], 3) },
		"chain to a free one":    func(b []byte) { le.PutUint16(b[table+2*3:], 0) },
		"chain out of the disk":  func(b []byte) { le.PutUint16(b[table+2*3:], 0xFFF0) },
		"chain to a bad cluster": func(b []byte) { le.PutUint16(b[table+2*4:], 0xFFF7) },
	} {
		t.Run(name, func(t *testing.T) {
			b := disk()
			change(b)
			list := readDisk(t, b)
			require.Len(t, list, 1)
			assert.NotEmpty(t, list[0].Gap)
		})
	}
	t.Run("unreadable sector", func(t *testing.T) {
		b := disk()
		list, err := ReadESPs(brokenAt{memory(b), table + 2*3}, int64(len(b)), 512)
		require.NoError(t, err)
		assert.Contains(t, list[0].Gap, "medium error")
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

func TestReadDamagedTables(t *testing.T) {
	disk := func() []byte { return makeDisk(t, testESP{id: testID(1)}) }
	read := func(b []byte, sector int) error {
		_, err := ReadESPs(memory(b), int64(len(b)), sector)
		return err
	}
	t.Run("primary header lost", func(t *testing.T) {
		b := disk()
		clear(b[512:1024])
		assert.Len(t, readDisk(t, b), 1, "the backup is as good")
	})
	t.Run("both headers lost", func(t *testing.T) {
		b := disk()
		clear(b[512:1024])
		clear(b[len(b)-512:])
		assert.ErrorContains(t, read(b, 512), "no GPT")
	})
	t.Run("entries that do not fit their sum", func(t *testing.T) {
		b := disk()
		b[1024]++
		b[len(b)-33*512]++
		assert.ErrorContains(t, read(b, 512), "backup GPT also invalid")
	})
	for name, change := range map[string]func(header []byte){
		"entries without number": func(h []byte) { binary.LittleEndian.PutUint32(h[80:], 1<<31) },
		"entries of no size":     func(h []byte) { binary.LittleEndian.PutUint32(h[84:], 0) },
		"entries out of disk":    func(h []byte) { binary.LittleEndian.PutUint64(h[72:], 1<<60) },
	} {
		t.Run(name, func(t *testing.T) {
			b := disk()
			change(b[512:])
			assert.ErrorContains(t, read(b, 512), "table of")
		})
	}
	assert.ErrorContains(t, read(disk(), 520), "logical blocks of 520 bytes")
	assert.ErrorContains(t, read(nil, 512), "disk of 0 bytes")
	assert.ErrorContains(t, read(disk(), 4096), "no GPT", "read with another block size")
}

func TestReadPartitionOutsideDisk(t *testing.T) {
	b := makeDisk(t, testESP{id: testID(1)})
	list, err := ReadESPs(memory(b), 8<<20, 512) // as if the disk ended within the partition
	require.NoError(t, err)
	require.Len(t, list, 1)
	assert.Contains(t, list[0].Gap, "it spans blocks 2048 to 18431 of 16384")
}
