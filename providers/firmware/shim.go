package firmware

import (
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"os"
	"path"
	"strings"
	"time"

	"lendkeep/reconcile/facts"

	"github.com/diskfs/go-diskfs/filesystem/fat16"
	"github.com/diskfs/go-diskfs/partition/gpt"
)

// A shim disk: protective MBR, GPT and one EFI system partition with FAT16.
// FAT16 begins at 4085 clusters, of 1 KiB here, so 6 MiB is about the least.
const (
	shimSector  = 512
	shimSize    = 6 << 20
	shimFirst   = 2048                                   // sector of the partition
	shimLast    = shimSize/shimSector - 34               // last usable sector: backup table and header follow
	shimContent = 4 << 20                                // most that all files may hold
	shimDiskID  = "6C656E64-6B65-4570-9A31-7368696D0001" // fixed: the same parts give the same bytes
	shimPartID  = "6C656E64-6B65-4570-9A31-7368696D0002"
	shimLabel   = "LK-SHIM" // no file has this name, see fixTimes
)

// shimTime is the time that every file of a shim disk has.
var shimTime = time.Date(2000, time.January, 1, 0, 0, 0, 0, time.UTC)

// Ending is what a shim disk does when it has nothing to start.
type Ending uint8

const (
	Prompt   Ending = iota // stay in the Shell
	PowerOff               // switch the guest off
)

// Shim is a small boot disk that lends firmware a driver and starts the system
// that lies behind it. Its parts are not signed: Secure Boot must be off.
type Shim struct {
	Shell   []byte                 // UEFI Shell for x86-64 (PE32+ application)
	Driver  []byte                 // EFI boot service driver for x86-64
	Wanted  *facts.SystemPartition // start only from this one; nil: the first volume that the driver brings and that has a loader
	Loaders []string               // paths on the volume, tried in order; none: DefaultLoaders
	Ending  Ending
}

// ShimFrom takes the Shell and the NVMe driver out of a donor firmware.
func ShimFrom(donor *Image) (Shim, error) {
	shell, err := donor.Extract(Shell.GUID)
	if err != nil {
		return Shim{}, fmt.Errorf("take the UEFI Shell from the donor: %w", err)
	}
	driver, err := donor.Extract(NVMe.GUID)
	if err != nil {
		return Shim{}, fmt.Errorf("take the NVMe driver from the donor: %w", err)
	}
	return Shim{Shell: shell, Driver: driver}, nil
}

// Build gives the raw content of the disk, 6 MiB. It is never written to by the
// guest, so it may be attached read-only where the bus allows that. The same
// Shim gives the same bytes.
func (s Shim) Build() ([]byte, error) {
	if err := needProgram(s.Shell, subsystemApp, "shell"); err != nil {
		return nil, fmt.Errorf("build shim disk: %w", err)
	}
	if err := needProgram(s.Driver, subsystemBoot, "driver"); err != nil {
		return nil, fmt.Errorf("build shim disk: %w", err)
	}
	files, err := s.files()
	if err != nil {
		return nil, fmt.Errorf("build shim disk: %w", err)
	}
	disk := make(memory, shimSize)
	if err := writeDisk(&storage{reader: disk, writer: disk, size: shimSize}, files); err != nil {
		return nil, fmt.Errorf("build shim disk: %w", err)
	}
	return disk, nil
}

func (s Shim) loaders() []string {
	if len(s.Loaders) == 0 {
		return DefaultLoaders()
	}
	return s.Loaders
}

// diskFile is one file of the disk; folders are made as they are needed.
type diskFile struct {
	path    string // with slashes
	content []byte
}

// files gives what lies on the disk. The tag names the content, so that a disk
// with other content in the same guest is not taken for this one.
func (s Shim) files() ([]diskFile, error) {
	starter, idle := starter(), idleDriver()
	script, err := s.script("")
	if err != nil {
		return nil, err
	}
	hash := sha256.New()
	for _, part := range [][]byte{starter, idle, s.Shell, s.Driver, []byte(script + tryScript)} {
		sum := sha256.Sum256(part)
		hash.Write(sum[:])
	}
	tag := fmt.Sprintf("%X", hash.Sum(nil)[:4])
	if script, err = s.script(tag); err != nil {
		return nil, err
	}
	files := []diskFile{
		{"EFI/BOOT/BOOTX64.EFI", starter},
		{unixPath(shellPath), s.Shell},
		{"EFI/BOOT/STARTUP.NSH", []byte(script)},
		{shimFolder + "/" + tag, []byte("This is a lendkeep shim disk. It starts the system of a lent drive.\r\n")},
		{unixPath(shimDriver), s.Driver},
		{unixPath(shimIdle), idle},
		{unixPath(shimTry), []byte(tryScript)},
	}
	total := 0
	for _, f := range files {
		total += len(f.content)
	}
	if total > shimContent {
		return nil, fmt.Errorf("%d bytes of content where %d fit", total, shimContent)
	}
	return files, nil
}

func unixPath(p string) string {
	return strings.TrimPrefix(strings.ReplaceAll(p, `\`, "/"), "/")
}

// writeDisk partitions, formats and fills the disk.
func writeDisk(disk *storage, files []diskFile) error {
	table := &gpt.Table{
		LogicalSectorSize: shimSector, PhysicalSectorSize: shimSector,
		GUID: shimDiskID, ProtectiveMBR: true,
		Partitions: []*gpt.Partition{{
			Index: 1, Start: shimFirst, End: shimLast,
			Type: gpt.EFISystemPartition, GUID: shimPartID, Name: "lendkeep shim",
		}},
	}
	if err := table.Write(disk, disk.size); err != nil {
		return fmt.Errorf("write partition table: %w", err)
	}
	volume, err := fat16.Create(disk, (shimLast-shimFirst+1)*shimSector, shimFirst*shimSector, shimSector, shimLabel, true)
	if err != nil {
		return fmt.Errorf("make filesystem: %w", err)
	}
	for _, f := range files {
		if err := writeFile(volume, f); err != nil {
			return fmt.Errorf("write %s: %w", f.path, err)
		}
	}
	if err := fixTimes(volume, files); err != nil {
		return err
	}
	return freeLostCluster(disk)
}

func writeFile(volume *fat16.FileSystem, f diskFile) error {
	if err := volume.Mkdir(path.Dir(f.path)); err != nil {
		return err
	}
	file, err := volume.OpenFile(f.path, os.O_CREATE|os.O_RDWR)
	if err != nil {
		return err
	}
	if _, err := file.Write(f.content); err != nil {
		return err
	}
	return file.Close()
}

// fixTimes sets every time stamp, those of the label and of each folder's own
// entries too: the library writes the present into them.
func fixTimes(volume *fat16.FileSystem, files []diskFile) error {
	paths := map[string]bool{shimLabel: true}
	for _, f := range files {
		paths[f.path] = true
		for dir := path.Dir(f.path); dir != "."; dir = path.Dir(dir) {
			paths[dir], paths[dir+"/."], paths[dir+"/.."] = true, true, true
		}
	}
	for p := range paths {
		if err := volume.Chtimes(p, shimTime, shimTime, shimTime); err != nil {
			return fmt.Errorf("set time of %s: %w", p, err)
		}
	}
	return nil
}

// freeLostCluster frees cluster 2 in both allocation tables. The library
// reserves it for a root directory, which on FAT16 lies outside the clusters,
// so a filesystem check would find it lost.
func freeLostCluster(disk *storage) error {
	const start = shimFirst * shimSector
	boot := make([]byte, shimSector)
	if _, err := disk.ReadAt(boot, start); err != nil {
		return err
	}
	reserved := int64(binary.LittleEndian.Uint16(boot[14:])) // sectors before the first table
	length := int64(binary.LittleEndian.Uint16(boot[22:]))   // sectors of one table
	for copies := range int64(2) {
		entry := start + (reserved+copies*length)*shimSector + 2*2
		if _, err := disk.WriteAt([]byte{0, 0}, entry); err != nil {
			return err
		}
	}
	return nil
}
