package boots_test

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"

	"lendkeep/reconcile/boots"
	"lendkeep/reconcile/facts"
)

// The kinds of names are those of mount(8), of systemd's udev rules
// (60-persistent-storage.rules) and of the kernel's devices.txt.
func TestName(t *testing.T) {
	for name, want := range map[string]facts.Held{
		"UUID=0a1b": facts.Present, `LABEL="my root"`: facts.Present, "PARTUUID=12345678-01": facts.Present, "PARTLABEL=root": facts.Present,
		"/dev/disk/by-uuid/0a1b": facts.Present, "/dev/disk/by-partuuid/12345678-01": facts.Present, "/dev/disk/by-label/x": facts.Present,
		"/dev/mapper/debian--vg-root": facts.Present, "/dev/mapper/vda3_crypt": facts.Present, "/dev/mapper/own": facts.Present,
		"/dev/disk/by-id/dm-uuid-LVM-abc": facts.Present, "/dev/zram0": facts.Present,
		"/dev/vda1": facts.Absent, "/dev/sda": facts.Absent, "/dev/hda2": facts.Absent, "/dev/xvda1": facts.Absent, "/dev/sdaa12": facts.Absent, "/dev//vda1": facts.Absent, "/dev/disk/../vda1": facts.Absent,
		"/dev/disk/by-path/pci-0000:00:05.0-part1": facts.Absent, "/dev/disk/by-id/virtio-abc-part1": facts.Absent, "/dev/disk/by-id/ata-QEMU_HARDDISK_QM00001": facts.Absent,
		"ID=scsi-0QEMU": facts.Absent, "/dev/block/254:1": facts.Absent, "/dev/disk/by-diskseq/3": facts.Absent,
		"UUID=": facts.Unknown, "/dev/nvme0n1p1": facts.Unknown, "/dev/disk/by-id/nvme-eui.01": facts.Unknown, "/dev/md0": facts.Unknown, "/dev/dm-0": facts.Unknown,
		"/dev/vg/root": facts.Unknown, "/dev/mapper/mpatha": facts.Unknown, "/dev/mapper/isw_abc_vol-1": facts.Unknown, "/dev/mapper/other": facts.Unknown, "/dev/disk/by-new/x": facts.Unknown, "/dev/disk/by-uuid": facts.Unknown,
		"/dev": facts.Unknown, "": facts.Unknown, "vda1": facts.Unknown, "dhcp": facts.Unknown,
	} {
		got, why := boots.Name(name, "own")
		assert.Equal(t, want, got, "%q: %s", name, why)
		assert.Equal(t, want == facts.Present, why == "", name)
	}
}

// As Debian's installer writes it (fstab(5), comments and all).
const debianFstab = `# /etc/fstab: static file system information.
#
# <file system> <mount point>   <type>  <options>       <dump>  <pass>
# / was on /dev/vda2 during installation
UUID=7f9ad0a5-2f5f-4a8e-9c53-111111111111 /               ext4    errors=remount-ro 0       1
UUID=AB12-CD34  /boot/efi       vfat    umask=0077      0       1
/dev/mapper/debian--vg-swap_1 none            swap    sw              0       0
/dev/sr0        /media/cdrom0   udf,iso9660 user,noauto     0       0
tmpfs /tmp tmpfs defaults 0 0
/srv/a /srv/b none bind 0 0
/swapfile none swap sw 0 0
nas:/share /mnt nfs4 _netdev 0 0
`

const byUUID = "BOOT_IMAGE=/boot/vmlinuz-6.1.0-18-amd64 root=UUID=7f9ad0a5-2f5f-4a8e-9c53-111111111111 ro quiet"

func TestNames(t *testing.T) {
	table := func(line string) boots.File { return boots.File{Kind: boots.Fstab, Path: "/etc/fstab", Text: line} }
	crypt := func(line string) boots.File {
		return boots.File{Kind: boots.Crypttab, Path: "/etc/crypttab", Text: line}
	}
	line := func(line string) boots.File {
		return boots.File{Kind: boots.Line, Path: "/proc/cmdline", Text: line}
	}
	good, root := table(debianFstab), line(byUUID)
	for _, c := range []struct {
		name  string
		files []boots.File
		says  facts.Held
		seen  string
	}{
		{"as installed", []boots.File{good, root}, facts.Present, "each disk is named by what is on it"},
		{"no fstab", []boots.File{root}, facts.Unknown, "none was seen"},
		{"no line", []boots.File{good}, facts.Unknown, "none was seen"},
		{"unread", []boots.File{good, root, {Kind: boots.Crypttab, Path: "/etc/crypttab", Gap: "too large"}}, facts.Unknown, "too large"},
		{"too long", []boots.File{table(strings.Repeat("#\n", 6000)), root}, facts.Unknown, "too long"},
		{"kind that is not known", []boots.File{good, root, {Kind: "x", Path: "/x"}}, facts.Unknown, "how to read it"},
		{"disk", []boots.File{table(debianFstab + "/dev/vdb1 /data xfs nofail 0 0\n"), root}, facts.Absent, `line 13: "/dev/vdb1 /data xfs nofail 0 0": that is where`},
		{"escaped", []boots.File{table(`/dev/vd\141 / ext4`), root}, facts.Absent, "line 1"},
		{"mounted later by systemd", []boots.File{table("/dev/vdb1 /data xfs noauto,x-systemd.automount"), root}, facts.Absent, "line 1"},
		{"log elsewhere", []boots.File{table("UUID=1 /data xfs logdev=/dev/vdb1"), root}, facts.Absent, "line 1"},
		{"journal by number", []boots.File{table("UUID=1 /data ext4 journal_dev=0xfe11"), root}, facts.Absent, "line 1"},
		{"disk as a type without", []boots.File{table("/dev/vdb1 /data tmpfs"), root}, facts.Absent, "line 1"},
		{"path that is neither", []boots.File{table("/some/image /data ext4"), root}, facts.Unknown, "line 1"},
		{"swap on what is opened", []boots.File{table("UUID=1 / ext4\n/dev/mapper/swap none swap"), crypt("swap PARTUUID=2 /dev/urandom swap"), root}, facts.Present, ""},
		{"opened by number", []boots.File{table("/dev/mapper/root / ext4"), crypt("root /dev/vda3 none luks"), root}, facts.Absent, "/dev/vda3"},
		{"key by number", []boots.File{good, crypt("root UUID=1 /key:/dev/sdb1"), root}, facts.Absent, "/dev/sdb1"},
		{"header by number", []boots.File{good, crypt("root UUID=1 none luks,header=/h:/dev/vdb"), root}, facts.Absent, "/dev/vdb"},
		{"root by number", []boots.File{good, line("root=/dev/vda1 ro")}, facts.Absent, "root=/dev/vda1"},
		{"root by numbers", []boots.File{good, line("root=fe01 ro")}, facts.Absent, "root=fe01"},
		{"the last root counts", []boots.File{good, line("root=/dev/vda1 root=UUID=1 ro")}, facts.Present, ""},
		{"resume by number", []boots.File{good, line("root=UUID=1 resume=/dev/vda5")}, facts.Absent, "resume=/dev/vda5"},
		{"quoted", []boots.File{good, line(`root="/dev/vda1" ro`)}, facts.Absent, "root=/dev/vda1"},
		{"within another word", []boots.File{good, line("root=/dev/mapper/cr cryptdevice=/dev/vda2:cr:allow-discards")}, facts.Absent, "cryptdevice=/dev/vda2"},
		{"opened by the initramfs", []boots.File{good, line("root=/dev/mapper/cr cryptdevice=UUID=1:cr")}, facts.Present, ""},
		{"no root", []boots.File{good, line("ro quiet")}, facts.Unknown, "root="},
		{"unit", []boots.File{good, root, {Kind: boots.Unit, Path: "/etc/systemd/system/data.mount", Text: "[Unit]\nDescription=x\n[Mount]\nWhat = /dev/vdb1\nWhere=/data\n"}}, facts.Absent, "line 4"},
		{"unit of no disk", []boots.File{good, root, {Kind: boots.Unit, Path: "/etc/systemd/system/tmp.mount", Text: "[Mount]\nWhat=tmpfs\nWhere=/tmp\nType=tmpfs\n"}}, facts.Present, ""},
		{"unit of a file", []boots.File{good, root, {Kind: boots.Unit, Path: "/etc/systemd/system/swapfile.swap", Text: "[Swap]\nWhat=/swapfile\n"}}, facts.Present, ""},
		{"later kernels", []boots.File{good, root, {Kind: boots.LaterLine, Path: "/etc/kernel/cmdline", Text: "root=/dev/vda2"}}, facts.Absent, "/dev/vda2"},
		{"defaults", []boots.File{good, root, {Kind: boots.Defaults, Path: "/etc/default/grub", Text: "GRUB_DISTRIBUTOR=`lsb_release -i -s 2> /dev/null || echo Debian`\n#GRUB_CMDLINE_LINUX=/dev/vda\nGRUB_CMDLINE_LINUX=\"resume=/dev/vda5 quiet\"\n"}}, facts.Absent, "line 3"},
		{"defaults as installed", []boots.File{good, root, {Kind: boots.Defaults, Path: "/etc/default/grub", Text: "GRUB_DISTRIBUTOR=`lsb_release -i -s 2> /dev/null || echo Debian`\nGRUB_CMDLINE_LINUX_DEFAULT=\"quiet\"\nGRUB_CMDLINE_LINUX=\"\"\n"}}, facts.Present, ""},
	} {
		got := boots.Names(c.files...)
		assert.Equal(t, c.says, got.Says, "%s: %s", c.name, got.Seen)
		assert.Contains(t, got.Seen, c.seen, c.name)
		assert.Equal(t, facts.AsksNames, got.Question)
	}
}

func FuzzNames(f *testing.F) {
	f.Add(debianFstab, "root /dev/vda3 /key:UUID=1 luks,header=/dev/vdb", byUUID)
	f.Add(`\04 \999 "`, "a", `root="`)
	f.Fuzz(func(t *testing.T, table, crypt, line string) {
		a := boots.Names(boots.File{Kind: boots.Fstab, Text: table}, boots.File{Kind: boots.Crypttab, Text: crypt},
			boots.File{Kind: boots.Line, Text: line}, boots.File{Kind: boots.Defaults, Text: table})
		assert.Less(t, len(a.Seen), 4000)
		// Whatever else stands there, a disk by its number is no fine answer.
		b := boots.Names(boots.File{Kind: boots.Fstab, Text: "/dev/vda1 / ext4\n" + table}, boots.File{Kind: boots.Line, Text: line})
		assert.Equal(t, facts.Absent, b.Says)
	})
}
