package firmware

import (
	"os"
	"path"
	"strings"
	"testing"

	"github.com/diskfs/go-diskfs/filesystem"
	"github.com/diskfs/go-diskfs/filesystem/fat16"
	"github.com/diskfs/go-diskfs/filesystem/fat32"
	"github.com/diskfs/go-diskfs/partition/gpt"
	"github.com/stretchr/testify/require"
)

// testESP is a system partition of a test disk, by path its files.
type testESP struct {
	id    string
	files map[string][]byte
	fat32 bool
}

// makeDisk builds a disk with the library that is not used to read it. Each
// partition has 8 MiB, with FAT32 40 MiB.
func makeDisk(t testing.TB, partitions ...testESP) []byte {
	t.Helper()
	table := &gpt.Table{LogicalSectorSize: 512, PhysicalSectorSize: 512, ProtectiveMBR: true,
		GUID: "0D24B474-3903-43D9-8536-91BDFEA1E700"}
	at := uint64(2048)
	for i, p := range partitions {
		sectors := uint64(8 << 20 / 512)
		if p.fat32 {
			sectors = 40 << 20 / 512
		}
		table.Partitions = append(table.Partitions, &gpt.Partition{
			Index: i + 1, Start: at, End: at + sectors - 1, Type: gpt.EFISystemPartition, GUID: p.id, Name: "esp"})
		at += sectors
	}
	disk := make(memory, (at+2048)*512)
	store := &storage{reader: disk, writer: disk, size: int64(len(disk))}
	require.NoError(t, table.Write(store, store.size))
	for i, p := range partitions {
		start, size := table.Partitions[i].GetStart(), int64(table.Partitions[i].Size)
		fillESP(t, store, start, size, p)
	}
	return disk
}

func fillESP(t testing.TB, store *storage, start, size int64, p testESP) {
	t.Helper()
	var volume filesystem.FileSystem
	var err error
	if p.fat32 {
		volume, err = fat32.Create(store, size, start, 512, "ESP", true)
	} else {
		volume, err = fat16.Create(store, size, start, 512, "ESP", true)
	}
	require.NoError(t, err)
	for name, content := range p.files {
		require.NoError(t, volume.Mkdir(path.Dir(name)))
		file, err := volume.OpenFile(name, os.O_CREATE|os.O_RDWR)
		require.NoError(t, err)
		_, err = file.Write(content)
		require.NoError(t, err)
		require.NoError(t, file.Close())
	}
}

// testID makes partition ids that differ in their last digit.
func testID(n int) string {
	return "4F1C0C52-9A0E-4C6E-8F0A-5C1F2F0E7A1" + string("0123456789"[n])
}

func spelled(p string) string { return `\` + strings.ReplaceAll(p, "/", `\`) }
