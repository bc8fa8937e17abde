package image

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"syscall"

	"github.com/diskfs/go-diskfs"
	"github.com/diskfs/go-diskfs/partition/gpt"
)

// The own drive: one partition that starts at the usual MiB. The file is
// sparse, so only what is written takes room.
const (
	diskBytes  = 6 << 30
	sector     = 512
	firstByte  = 1 << 20
	rootBytes  = diskBytes - 2*firstByte
	diskGUID   = "9D1F6E1A-52C7-4C3B-9E6B-0D4E5F1A2B3C"
	rootGUID   = "5B7A0C4E-1D2F-4E3A-8C6D-7F8091A2B3C4"
	filesystem = "3c9b2f54-6f0e-4a57-9d2a-8e1c0b7d6a5f"
)

// writeDisk makes the own drive's file and fills its root filesystem with a tree.
func writeDisk(ctx context.Context, name, root string) error {
	if err := partition(name); err != nil {
		return fmt.Errorf("write disk: %w", err)
	}
	command := exec.CommandContext(ctx, "mke2fs", "-q", "-F", "-t", "ext4", "-m", "0", "-L", "larch", "-U", filesystem,
		"-E", fmt.Sprintf("offset=%d,nodiscard,assume_storage_prezeroed=1,root_owner=0:0", firstByte),
		"-d", root, name, fmt.Sprintf("%dk", rootBytes/1024))
	// mke2fs is kept where an ordinary user's PATH does not reach.
	command.Env = append(os.Environ(), "PATH="+os.Getenv("PATH")+":/usr/sbin:/sbin")
	if command.Err != nil {
		command.Path, command.Err = "/usr/sbin/mke2fs", nil
	}
	asRoot(command)
	if output, err := command.CombinedOutput(); err != nil {
		return fmt.Errorf("write disk: mke2fs: %w: %s", err, output)
	}
	return nil
}

// asRoot lets an ordinary user's files be root's own inside the image: in a
// user namespace of its own the program sees the user as root.
func asRoot(command *exec.Cmd) {
	if os.Geteuid() == 0 {
		return
	}
	command.SysProcAttr = &syscall.SysProcAttr{
		Cloneflags:  syscall.CLONE_NEWUSER,
		UidMappings: []syscall.SysProcIDMap{{HostID: os.Getuid(), Size: 1}},
		GidMappings: []syscall.SysProcIDMap{{HostID: os.Getgid(), Size: 1}},
	}
}

// partition makes the file and lays a GPT on it with one partition for the root.
func partition(name string) error {
	disk, err := diskfs.Create(name, diskBytes, sector)
	if err != nil {
		return err
	}
	defer disk.Close()
	return disk.Partition(&gpt.Table{
		GUID: diskGUID, LogicalSectorSize: sector, PhysicalSectorSize: sector, ProtectiveMBR: true,
		Partitions: []*gpt.Partition{{
			Index: 1, Start: firstByte / sector, End: (firstByte+rootBytes)/sector - 1, Size: rootBytes,
			Type: gpt.LinuxFilesystem, Name: "root", GUID: rootGUID,
		}},
	})
}
