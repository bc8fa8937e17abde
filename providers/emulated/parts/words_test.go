package parts_test

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/emulated/machine"
	"lendkeep/providers/emulated/parts"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/twin"
	"lendkeep/spec/pci"
)

// every gives an invented host with a part of every kind: three roots on two nodes,
// a switch, a conventional bridge, functions of one slot, drives on every kind of
// controller, and a serial that would be another option.
func every() facts.Survey {
	s := facts.Survey{Format: facts.Format, Machine: facts.Machine{Name: "larch", Kernel: "6.1.0", MemoryBytes: 64 << 30, CPUs: 16, IOMMUs: 1},
		Topology: facts.Topology{Nodes: []facts.Node{{Number: 0, MemoryBytes: 48 << 30}, {Number: 1, MemoryBytes: 16 << 30}}}}
	add := func(at, above string, class uint32, group, node int, driver string) *facts.Function {
		address := must(facts.ParseAddress(at))
		f := facts.Function{Address: address, Class: class, Group: &group, NUMANode: node, Driver: driver, Device: pci.ID(class >> 8)}
		if above != "" {
			up := must(facts.ParseAddress(above))
			f.Upstream = &up
		}
		if class == 0x060400 {
			f.HeaderType = 1
		}
		s.Functions = append(s.Functions, f)
		return &s.Functions[len(s.Functions)-1]
	}
	nvme := func(f *facts.Function, serial string, sizes ...uint64) {
		f.NVMe = &facts.NVMe{Name: fmt.Sprintf("nvme%d", len(s.Blocks)), Serial: serial, State: "live"}
		for i, size := range sizes {
			name := fmt.Sprintf("%sn%d", f.NVMe.Name, i+1)
			f.NVMe.Namespaces = append(f.NVMe.Namespaces, facts.Namespace{ID: i + 1, Block: name, SizeBytes: size, SectorBytes: 512 << (3 * i)})
			s.Blocks = append(s.Blocks, facts.Block{Name: name, Controller: &f.Address, SizeBytes: size, SectorBytes: 512 << (3 * i)})
		}
	}
	disk := func(f *facts.Function, name string) {
		s.Blocks = append(s.Blocks, facts.Block{Name: name, Controller: &f.Address, SizeBytes: 1 << 30, SectorBytes: 512})
	}
	s.Functions = make([]facts.Function, 0, 40) // so that pointers into it stay
	add("0000:00:00.0", "", 0x060000, 0, 0, "")
	add("0000:00:01.0", "", 0x060400, 1, 0, "pcieport")
	add("0000:01:00.0", "0000:00:01.0", 0x030000, 1, 0, "vfio-pci")
	add("0000:01:00.1", "0000:00:01.0", 0x040300, 1, 0, "vfio-pci")
	add("0000:00:02.0", "", 0x060400, 2, 0, "pcieport")
	add("0000:02:00.0", "0000:00:02.0", 0x060400, 3, 0, "pcieport")
	add("0000:03:00.0", "0000:02:00.0", 0x060400, 4, 0, "pcieport")
	add("0000:03:01.0", "0000:02:00.0", 0x060400, 5, 0, "pcieport")
	nvme(add("0000:04:00.0", "0000:03:00.0", 0x010802, 4, 0, "nvme"), "a,addr=0x9", 1<<40, 64<<20)
	disk(add("0000:05:00.0", "0000:03:01.0", 0x010700, 5, 0, "mpt3sas"), "sda")
	add("0000:00:03.0", "", 0x060400, 6, 0, "pcieport")
	add("0000:06:00.0", "0000:00:03.0", 0x060400, 7, 0, "")
	add("0000:07:01.0", "0000:06:00.0", 0x020000, 7, 0, "e1000")
	add("0000:07:02.0", "0000:06:00.0", 0x110100, 7, 0, "")
	disk(add("0000:00:14.0", "", 0x0c0330, 8, 0, "xhci_hcd"), "sdb")
	disk(add("0000:00:17.0", "", 0x010601, 9, 0, "ahci"), "sdc")
	add("0000:00:1f.0", "", 0x060100, 10, 0, "lpc_ich")
	add("0000:00:1f.6", "", 0x020000, 10, 0, "e1000e")
	for i, bus := range []string{"40", "80"} {
		add("0000:"+bus+":00.0", "", 0x060000, 20+10*i, 1, "")
		add("0000:"+bus+":01.0", "", 0x060400, 21+10*i, 1, "pcieport")
		nvme(add("0000:"+[]string{"41", "81"}[i]+":00.0", "0000:"+bus+":01.0", 0x010802, 22+10*i, 1, "vfio-pci"), fmt.Sprint("SN-", i), 1<<30)
	}
	return s
}

func must[T any](value T, err error) T {
	if err != nil {
		panic(err) // a mistake in a test's own input
	}
	return value
}

// values gives what follows each option of a name.
func values(words []string, option string) []string {
	var found []string
	for i, word := range words {
		if word == option {
			found = append(found, words[i+1])
		}
	}
	return found
}

func TestWords(t *testing.T) {
	m := twin.Of(every())
	boot := machine.Boot{Folder: "/a,b", OwnDisk: "/own", CommandLine: "emuhost.own=X"}
	words := must(parts.Twin{m}.Arguments(boot))
	assert.Equal(t, words, must(parts.Twin{m}.Arguments(boot)))
	assert.Contains(t, values(words, "-append")[0], " emuhost.own=X modprobe.blacklist=virtio_rng "+parts.Mark)
	assert.Equal(t, []string{"node,nodeid=0,memdev=memory0,cpus=0-1", "node,nodeid=1,memdev=memory1,cpus=2-3"}, values(words, "-numa"))
	devices := values(words, "-device")
	assert.Equal(t, "intel-iommu,intremap=on,caching-mode=on,aw-bits=48", devices[0], "it has to come first")
	assert.Contains(t, devices, "pcie-root-port,id=part2,bus=pcie.0,addr=0x1.0x0,chassis=1,slot=1,disable-acs=on")
	assert.Contains(t, devices, "bochs-display,id=part3,bus=part2,addr=0x0.0x0,multifunction=on")
	assert.Contains(t, devices, "ich9-intel-hda,id=part4,bus=part2,addr=0x0.0x1")
	text := strings.Join(devices, "\n")
	assert.Contains(t, text, "serial=a,,addr=0x9\n", "a comma would begin another setting")
	assert.Contains(t, text, "nsid=2,logical_block_size=4096,physical_block_size=4096")
	assert.Contains(t, text, "pxb-pcie,id=root1,bus=pcie.0,addr=0x1d.0x0,bus_nr=64,numa_node=1")
	assert.Contains(t, text, "bus=root2,")
	assert.Contains(t, values(words, "-drive"), "if=none,cache=unsafe,discard=unmap,id=drive-0000-04-00.0-1,format=raw,file=/a,,b/drive-0000-04-00.0-1.img")
	assert.Equal(t, len(values(words, "-drive")), strings.Count(text, "drive="), "every drive is behind a device")
	files := parts.Twin{m}.Files()
	assert.Len(t, files, len(values(words, "-drive"))-1, "and has a file, but for the machine's own")
	assert.Equal(t, machine.File{Name: "drive-0000-04-00.0-1.img", Bytes: 1 << 40}, files[0])
	assert.Contains(t, text, "serial="+parts.Twin{m}.RunsFrom())

	survey := every()
	survey.Machine.IOMMUs = 0
	assert.NotContains(t, strings.Join(values(must(parts.Twin{twin.Of(survey)}.Arguments(machine.Boot{})), "-device"), " "), "iommu")
}

// The script is one that a shell takes, and every word comes through as it is: the
// programs are stand-ins that print theirs.
func TestScript(t *testing.T) {
	s := every()
	drive := &s.Blocks[0]
	drive.PartitionTable = &facts.PartitionTable{Kind: "gpt", ID: "1e0d6668-9649-4e08-b3b8-03bd9cec6f94"}
	part := func(number int, name string, mib uint64, holds facts.Signature, holders ...string) {
		s.Blocks = append(s.Blocks, facts.Block{Name: fmt.Sprintf("%sp%d", s.Blocks[0].Name, number), Whole: s.Blocks[0].Name, Controller: s.Blocks[0].Controller, Devno: facts.Devno{Major: 259, Minor: uint32(number)},
			SizeBytes: mib << 20, SectorBytes: 512, Signature: &holds, Holders: holders,
			Partition: &facts.Partition{Number: number, StartBytes: uint64(number) << 30, Name: name, ID: "087b6313-d3fe-49f8-b81d-e21b8eaebec1", Type: facts.TypeESP}})
	}
	part(1, "it's $(here); `a` \"b\"", 100, facts.Signature{Kind: "vfat", Label: "a'b $x", UUID: "EEEA-7F01"})
	part(2, "", 900, facts.Signature{Kind: "LVM2_member"}, "dm-0")
	part(3, "-x", 900, facts.Signature{Kind: "crypto_LUKS"}, "dm-1")
	for i, m := range []facts.Mapper{{Name: "vault-reels", UUID: "LVM-a"}, {Name: "sealed", UUID: "CRYPT-LUKS2-a"}} {
		s.Blocks = append(s.Blocks, facts.Block{Name: fmt.Sprint("dm-", i), Devno: facts.Devno{Major: 253, Minor: uint32(i)}, SizeBytes: 512 << 20, Mapper: &m, Signature: &facts.Signature{Kind: "xfs"}})
		s.Mounts = append(s.Mounts, facts.Mount{Devno: facts.Devno{Major: 253, Minor: uint32(i)}, Root: "/", Path: fmt.Sprintf("/srv/it's %d", i), Kind: "xfs", Options: []string{"rw", "noatime"}})
	}
	s.Libvirt.Guests = []facts.Guest{{Name: "grading", Running: true, Autostart: true, Kept: &facts.Definition{XML: "<domain type='kvm'><name>grading</name><memory>131072</memory><vcpu>1</vcpu><devices>" +
		"<disk type='file' device='disk'><driver name='qemu' type='qcow2'/><source file=\"/var/lib/images/it's.qcow2\"/><target dev='vda' bus='virtio'/></disk></devices></domain>"}}}
	script := parts.Script(twin.Of(s))
	ran, device := run(t, script), "/dev/disk/by-path/pci-0000:04:00.0-nvme-1"
	first := slices.Index(ran, "udevadm|settle|--timeout=120") - 1
	require.Equal(t, "dd|if=/var/lib/stand-in.sector|of=/var/lib/stand-in.img|conv=notrunc|status=none", ran[first-1], "the stand-in comes first")
	last := slices.Index(ran, "mkdir|-p|/var/lib/images")
	assert.Equal(t, []string{"qemu-img|convert|-f|raw|-O|qcow2|/var/lib/stand-in.img|/var/lib/images/it's.qcow2", "virsh|-q|define|/run/guest-1.xml", "virsh|-q|autostart|--|grading", "virsh|-q|start|--|grading"}, ran[last+1:])
	assert.Equal(t, strings.Split(strings.ReplaceAll(`sgdisk|-a|1|-o|-U|1e0d6668-9649-4e08-b3b8-03bd9cec6f94|-n|1:2097152:2301951|-t|1:c12a7328-f81f-11d2-ba4b-00a0c93ec93b|-u|1:087b6313-d3fe-49f8-b81d-e21b8eaebec1|-c|1:it's $(here); `+"`a`"+` "b"|-n|2:4194304:6037503|-t|2:c12a7328-f81f-11d2-ba4b-00a0c93ec93b|-u|2:087b6313-d3fe-49f8-b81d-e21b8eaebec1|-n|3:6291456:8134655|-t|3:c12a7328-f81f-11d2-ba4b-00a0c93ec93b|-u|3:087b6313-d3fe-49f8-b81d-e21b8eaebec1|-c|3:-x|DRIVE
udevadm|settle|--timeout=120
mkfs.vfat|-n|a'b $x|-i|EEEA7F01|DRIVE-part1
mkdir|-p|/run/esp
mount|-t|vfat|DRIVE-part1|/run/esp
mkdir|-p|/run/esp/EFI/BOOT
cp|/var/lib/stand-in.efi|/run/esp/EFI/BOOT/BOOTX64.EFI
umount|/run/esp
pvcreate|-qq|-ff|-y|DRIVE-part2
cryptsetup|luksFormat|-q|--type|luks2|--pbkdf|pbkdf2|--pbkdf-force-iterations|1000|--key-file|-|DRIVE-part3
udevadm|settle|--timeout=120
vgcreate|-qq|-y|vault|DRIVE-part2
lvcreate|-qq|-y|-n|reels|vault|-L|536870912b|DRIVE-part2
udevadm|settle|--timeout=120
mkfs.xfs|-q|-f|-K|--unsupported|-l|size=12m|/dev/vault/reels
cryptsetup|open|--key-file|-|DRIVE-part3|sealed
udevadm|settle|--timeout=120
mkfs.xfs|-q|-f|-K|--unsupported|-l|size=12m|/dev/mapper/sealed
mkdir|-p|/srv/it's 0
mount|-t|xfs|-o|rw,noatime|/dev/vault/reels|/srv/it's 0
mkdir|-p|/srv/it's 1
mount|-t|xfs|-o|rw,noatime|/dev/mapper/sealed|/srv/it's 1
modprobe|vfio-pci`, "DRIVE", device), "\n"), ran[first:last])
	assert.Contains(t, script, "echo vfio-pci > /sys/bus/pci/devices/0000:42:00.0/driver_override\n")
}

// A boot opens and mounts what there was, and makes nothing; what fails is passed over.
func TestEachBoot(t *testing.T) {
	s := every()
	s.Blocks[0].PartitionTable = &facts.PartitionTable{Kind: "gpt"}
	for i, kind := range []string{"LVM2_member", "crypto_LUKS", "xfs"} {
		s.Blocks = append(s.Blocks, facts.Block{Name: fmt.Sprintf("%sp%d", s.Blocks[0].Name, i+1), Whole: s.Blocks[0].Name, Controller: s.Blocks[0].Controller, Devno: facts.Devno{Major: 259, Minor: uint32(i + 1)},
			SizeBytes: 900 << 20, SectorBytes: 512, Signature: &facts.Signature{Kind: kind}, Holders: [][]string{{"dm-0"}, {"dm-1"}, nil}[i],
			Partition: &facts.Partition{Number: i + 1, StartBytes: uint64(i+1) << 30}})
	}
	for i, m := range []facts.Mapper{{Name: "vault-reels", UUID: "LVM-a"}, {Name: "sealed", UUID: "CRYPT-LUKS2-a"}} {
		s.Blocks = append(s.Blocks, facts.Block{Name: fmt.Sprint("dm-", i), Devno: facts.Devno{Major: 253, Minor: uint32(i)}, SizeBytes: 512 << 20, Mapper: &m, Signature: &facts.Signature{Kind: "xfs"}})
		s.Mounts = append(s.Mounts, facts.Mount{Devno: facts.Devno{Major: 253, Minor: uint32(i)}, Root: "/", Path: fmt.Sprint("/srv/", i), Kind: "xfs", Options: []string{"rw"}})
	}
	s.Mounts = append(s.Mounts, facts.Mount{Devno: facts.Devno{Major: 259, Minor: 3}, Root: "/", Path: "/srv/plain", Kind: "xfs", Options: []string{"rw"}})
	m := twin.Of(s)
	ran := run(t, parts.EachBoot(m))
	device := "/dev/disk/by-path/pci-0000:04:00.0-nvme-1"
	assert.Equal(t, strings.Split(strings.ReplaceAll(`mount|--make-rshared|/
lvchange|-qq|-ay|vault/reels
udevadm|settle|--timeout=120
cryptsetup|open|--key-file|-|DRIVE-part2|sealed
udevadm|settle|--timeout=120
mkdir|-p|/srv/0
mount|-t|xfs|-o|rw|/dev/vault/reels|/srv/0
mkdir|-p|/srv/1
mount|-t|xfs|-o|rw|/dev/mapper/sealed|/srv/1
mkdir|-p|/srv/plain
mount|-t|xfs|-o|rw|DRIVE-part3|/srv/plain
virsh|-q|list|--all|--autostart|--name`, "DRIVE", device), "\n"), ran)
	assert.NotContains(t, parts.EachBoot(m), "vfio-pci", "a boot gives all to the host's drivers")

	crowded, _, room := m.InFront()
	require.True(t, room)
	assert.Contains(t, strings.Join(run(t, parts.EachBoot(crowded)), "\n"), "pci-0000:05:00.0-nvme-1-part2", "drives have moved")
}

// What is added late, or is not plugged in, changes nothing that others say of themselves.
func TestLateAndAbsentParts(t *testing.T) {
	m := twin.Of(every())
	crowded, serial, room := m.InFront()
	require.True(t, room)
	list := func(m twin.Machine) (devices []string) {
		for _, d := range values(must(parts.Twin{m}.Arguments(machine.Boot{})), "-device") {
			devices = append(devices, strings.Join(slices.DeleteFunc(strings.Split(d, ","), func(s string) bool { return strings.HasPrefix(s, "addr=") }), ","))
		}
		return devices
	}
	was, is := list(m), list(crowded)
	added := slices.DeleteFunc(slices.Clone(is), func(d string) bool { return slices.Contains(was, d) })
	require.Len(t, added, 3, "a port, a controller, a namespace")
	assert.Contains(t, added[0], "chassis=255")
	assert.Contains(t, added[1], "serial="+serial)
	assert.Len(t, is, len(was)+3)

	of := must(facts.ParseAddress("0000:04:00.0"))
	left := list(m.Without(of))
	gone := slices.DeleteFunc(slices.Clone(was), func(d string) bool { return slices.Contains(left, d) })
	require.Len(t, gone, 3, "a controller with two namespaces")
	assert.Contains(t, gone[0], "id="+parts.Twin{m}.Card(of)+",")
	assert.Empty(t, parts.Twin{m}.Card(must(facts.ParseAddress("0000:99:00.0"))))
}

// A script that comes to another machine than a twin does nothing there.
func TestScriptIsForTwinsAlone(t *testing.T) {
	for _, script := range []string{parts.Script(twin.Of(every())), parts.EachBoot(twin.Of(every()))} {
		folder := standIns(t)
		command := exec.Command("/bin/sh", "-c", script)
		command.Env = []string{"PATH=" + folder, "RAN=" + filepath.Join(folder, "ran")}
		output, err := command.CombinedOutput()
		require.Error(t, err)
		assert.Contains(t, string(output), "no twin")
		assert.NoFileExists(t, filepath.Join(folder, "ran"))
	}
}

// run has a shell run a script behind its guard, without what it writes, with
// stand-ins for the programs, and gives what those were told.
func run(t *testing.T, script string) []string {
	_, script, found := strings.Cut(script, "esac\n")
	require.True(t, found)
	var left []string
	for line := range strings.Lines(script) {
		if !strings.Contains(line, "/sys/") && !strings.Contains(line, " > /run/") {
			left = append(left, line)
		}
	}
	script = strings.Join(left, "")
	folder := standIns(t)
	command := exec.Command("/bin/sh", "-euc", script)
	command.Env = []string{"PATH=" + folder, "RAN=" + filepath.Join(folder, "ran")}
	output, err := command.CombinedOutput()
	require.NoError(t, err, "%s", output)
	content, err := os.ReadFile(filepath.Join(folder, "ran"))
	require.NoError(t, err)
	return strings.Split(strings.TrimSpace(string(content)), "\n")
}

// standIns gives a folder of programs that note their words, a bar between them.
func standIns(t *testing.T) string {
	folder := t.TempDir()
	for _, name := range []string{"sgdisk", "udevadm", "mkfs.vfat", "pvcreate", "cryptsetup", "vgcreate", "lvcreate", "lvchange", "mkfs.xfs", "mkdir", "mount", "umount", "modprobe", "truncate", "dd", "cp", "qemu-img", "virsh", "rm", "ln", "losetup"} {
		text := "#!/bin/sh\nprintf %s " + name + " >> \"$RAN\"\nfor word in \"$@\"; do printf '|%s' \"$word\" >> \"$RAN\"; done\necho >> \"$RAN\"\n"
		require.NoError(t, os.WriteFile(filepath.Join(folder, name), []byte(text), 0o755))
	}
	return folder
}

// An image of a guest has the partitions that the host's has, with what they hold, and
// a system to start on its ESP.
func TestPartitionedImages(t *testing.T) {
	s := every()
	const image = "/var/lib/images/grading.qcow2"
	s.Libvirt.Guests = []facts.Guest{{Name: "grading", Kept: &facts.Definition{XML: "<domain type='kvm'><name>grading</name><memory>131072</memory><vcpu>1</vcpu><devices>" +
		"<disk type='file' device='disk'><driver name='qemu' type='qcow2'/><source file='" + image + "'/><target dev='vda' bus='virtio'/></disk></devices></domain>"}}}
	s.Contents = []facts.Content{{Of: image, Image: true, Format: "qcow2", SizeBytes: 256 << 20, SectorBytes: 512,
		Table: &facts.Table{Kind: "gpt", ID: "6d1b5f0e-2c51-4b7e-9f0a-0d6a3a8c1e77", Entries: []facts.Entry{
			{Number: 1, First: 2048, Last: 104447, Type: facts.TypeESP, ID: "b1f3e9a0-8f6e-4a5d-9d5c-5a0f6c8d2e01"},
			{Number: 2, First: 104448, Last: 522239, Type: "ebd0a0a2-b9e5-4433-87c0-68b6b72699c7", Name: "it's data"},
			{Number: 3, First: 5, Last: 4}, {Number: 4, First: 10, Last: 1 << 40}}},
		Volumes: []facts.Volume{{Number: 1, ESP: true, Signature: &facts.Signature{Kind: "vfat", UUID: "5A1C-0E77"}}, {Number: 2, Signature: &facts.Signature{Kind: "ntfs"}}}}}
	ran := run(t, parts.Script(twin.Of(s)))
	first := slices.Index(ran, "rm|-f|/run/partitioned.img")
	assert.Equal(t, strings.Split(`rm|-f|/run/partitioned.img
truncate|-s|268435456|/run/partitioned.img
sgdisk|-a|1|-o|-U|6d1b5f0e-2c51-4b7e-9f0a-0d6a3a8c1e77|-n|1:2048:104447|-t|1:c12a7328-f81f-11d2-ba4b-00a0c93ec93b|-u|1:b1f3e9a0-8f6e-4a5d-9d5c-5a0f6c8d2e01|-n|2:104448:522239|-t|2:ebd0a0a2-b9e5-4433-87c0-68b6b72699c7|-c|2:it's data|/run/partitioned.img
losetup|-P|-f|--show|/run/partitioned.img
udevadm|settle|--timeout=120
ln|-sfn|p1|/run/partitioned
mkfs.vfat|-i|5A1C0E77|/run/partitioned
mkdir|-p|/run/esp
mount|-t|vfat|/run/partitioned|/run/esp
mkdir|-p|/run/esp/EFI/BOOT
cp|/var/lib/stand-in.efi|/run/esp/EFI/BOOT/BOOTX64.EFI
umount|/run/esp
ln|-sfn|p2|/run/partitioned
losetup|-d|
dd|if=/var/lib/stand-in.sector|of=/run/partitioned.img|conv=notrunc|status=none
mkdir|-p|/var/lib/images
qemu-img|convert|-f|raw|-O|qcow2|/run/partitioned.img|/var/lib/images/grading.qcow2`, "\n"), ran[first:len(ran)-1])
}
