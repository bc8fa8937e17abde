package main

import (
	"bytes"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/emulated/wire"
)

// tree makes files below a new folder; what begins with "-> " is a link.
func tree(t *testing.T, files map[string]string) string {
	t.Helper()
	root := t.TempDir()
	for name, content := range files {
		name = filepath.Join(root, name)
		require.NoError(t, os.MkdirAll(filepath.Dir(name), 0o755))
		if len(content) > 3 && content[:3] == "-> " {
			require.NoError(t, os.Symlink(content[3:], name))
		} else {
			require.NoError(t, os.WriteFile(name, []byte(content), 0o644))
		}
	}
	return root
}

func TestProcessesAndMounts(t *testing.T) {
	l := &look{root: tree(t, map[string]string{
		"proc/self/ns/mnt":    "-> mnt:[1]",
		"proc/self/mountinfo": "22 1 259:1 / / rw,relatime shared:1 - ext4 /dev/root rw\n",
		"proc/1000001/ns/mnt": "-> mnt:[1]", "proc/1000001/comm": "libvirtd", "proc/1000001/cmdline": "libvirtd\x00-d\x00",
		"proc/1000002/ns/mnt": "-> mnt:[2]", "proc/1000002/comm": "sleep", "proc/1000002/cmdline": "sleep\x00100\x00",
		"proc/1000002/mountinfo": "22 1 259:1 / / rw shared:2 - ext4 /dev/root rw\n40 22 259:7 / /srv/a\\040b rw - xfs /dev/nvme0n1p2 rw\n",
		"proc/1000003/ns/mnt":    "-> mnt:[2]", "proc/1000003/comm": "kworker", "proc/1000003/cmdline": "",
	})}
	require.NoError(t, l.processes())
	assert.Equal(t, []wire.Trace{
		{Kind: wire.Mount, Name: "/", Detail: "ext4 /dev/root"},
		{Kind: wire.Apart, Name: `/srv/a\040b`, Detail: "xfs /dev/nvme0n1p2 in that of sleep"},
		{Kind: wire.Process, Name: "1000002", Detail: "sleep 100"},
	}, l.found)
}

func TestDriveGoesByItsController(t *testing.T) {
	const port = "sys/devices/pci0000:00/0000:00:05.0/0000:01:00.0/nvme/nvme0/"
	root := tree(t, map[string]string{
		"sys/block/nvme0n1":  "-> ../devices/pci0000:00/0000:00:05.0/0000:01:00.0/nvme/nvme0/nvme0n1",
		port + "nvme0n1/dev": "9999:0", port + "nvme0n1/nvme0n1p1/dev": "9999:1", port + "nvme0n1/nvme0n1p1/partition": "1\n",
		port + "nvme0n1/nvme0n1p1/holders/dm-0": "",
		"dev/nvme0n1":                           string(make([]byte, 3<<20)), "dev/nvme0n1p1": "",
		"sys/block/dm-0/dm/name": "vg-lv\n", "sys/block/md127/md/array_state": "clear\n", "sys/block/loop0/dev": "7:0",
	})
	told := func() []wire.Trace {
		l := &look{root: root}
		require.NoError(t, l.blocks())
		return l.found
	}
	blank := []wire.Trace{
		{Kind: wire.Mapped, Name: "vg-lv"},
		{Kind: wire.Partition, Name: "0000:01:00.0", Detail: "partition 1"},
		{Kind: wire.Held, Name: "0000:01:00.0", Detail: "dm-0 is made of nvme0n1p1"},
	}
	assert.Equal(t, blank, told())

	end := bytes.Repeat([]byte{0}, 3<<20)
	end[len(end)-1] = 1
	require.NoError(t, os.WriteFile(filepath.Join(root, "dev/nvme0n1"), end, 0o644))
	list := told()
	require.Len(t, list, 4)
	assert.Equal(t, wire.Content, list[3].Kind)
	assert.Contains(t, list[3].Detail, "not blank")
}

func TestDriversAndFiles(t *testing.T) {
	l := &look{root: tree(t, map[string]string{
		"sys/bus/pci/devices/0000:01:00.0/driver":          "-> ../../../bus/pci/drivers/nvme",
		"sys/bus/pci/devices/0000:01:00.0/driver_override": "(null)\n",
		"sys/bus/pci/devices/0000:02:00.0/driver_override": "vfio-pci\n",
		"run/libvirt/qemu/grading.xml":                     "", "etc/libvirt/hooks/qemu.d/lendkeep": "", "etc/hostname": "larch\n",
	})}
	require.NoError(t, l.functions())
	require.NoError(t, l.guests())
	require.NoError(t, l.files())
	assert.Equal(t, []wire.Trace{
		{Kind: wire.Driver, Name: "0000:01:00.0", Detail: "nvme"},
		{Kind: wire.Driver, Name: "0000:02:00.0", Detail: "none, told to take vfio-pci"},
		{Kind: wire.Guest, Name: "grading", Detail: "runs"},
		{Kind: wire.File, Name: "/etc/libvirt/hooks/qemu.d/lendkeep", Detail: "00000000"},
	}, l.found)
}
