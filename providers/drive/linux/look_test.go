package linux_test

import (
	"fmt"
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/facts"
)

const (
	rootID  = "11111111-0000-4000-8000-000000000001"
	bootID  = "11111111-0000-4000-8000-000000000002"
	espID   = "AB12-CD34"
	release = "6.1.0-18-amd64"
	modules = "usr/lib/modules/" + release + "/"
)

// grubConfig has the form that grub-mkconfig gives to it (reconcile/boots has it whole).
func grubConfig(first, on, folder string) string {
	entry := func(release string) string {
		return "menuentry 'Larch, with " + release + "' --class gnu $menuentry_id_option 'gnulinux-" + release + "' {\n\tload_video\n\tinsmod gzio\n" +
			"\tsearch --no-floppy --fs-uuid --set=root --hint-bios=hd0,gpt2 " + on + "\n\techo 'Loading Linux'\n" +
			"\tlinux\t" + folder + "/vmlinuz-" + release + " root=UUID=" + rootID + " ro quiet\n\tinitrd\t" + folder + "/initrd.img-" + release + "\n}\n"
	}
	return "if [ -s $prefix/grubenv ]; then\n  load_env\nfi\nset default=\"" + first + "\"\nmenuentry_id_option=\"--id\"\n" + entry(release) + entry("5.10.0-9-amd64")
}

// debian is a system as Debian 12 has it, on one filesystem and a system partition.
func debian(t testing.TB) files {
	if made != nil {
		return made
	}
	made = files{
		"etc/os-release":                 "-> ../usr/lib/os-release",
		"usr/lib/os-release":             "PRETTY_NAME=\"Larch GNU/Linux 12\"\nNAME=\"Larch\"\n",
		"lib":                            "-> usr/lib",
		"etc/fstab":                      "# /etc/fstab\nUUID=" + rootID + " / ext4 errors=remount-ro 0 1\nUUID=" + espID + " /boot/efi vfat umask=0077 0 1\n/dev/sr0 /media/cdrom0 udf,iso9660 user,noauto 0 0\n",
		"etc/default/grub":               "GRUB_DEFAULT=0\nGRUB_CMDLINE_LINUX_DEFAULT=\"quiet\"\nGRUB_CMDLINE_LINUX=\"\"\n",
		"boot/grub/grub.cfg":             grubConfig("0", rootID, "/boot"),
		"boot/vmlinuz-" + release:        kernel(release),
		"boot/initrd.img-" + release:     initramfs(t, files{"init": "#!/bin/sh\n", modules + "kernel/drivers/nvme/host/nvme.ko": "module"}, "zstd", "-q", "-c"),
		"boot/config-" + release:         "CONFIG_BLK_DEV_NVME=m\n",
		modules + "modules.builtin":      "kernel/fs/ext4/ext4.ko\nkernel/drivers/nvmem/nvmem_core.ko\n",
		"boot/vmlinuz-5.10.0-9-amd64":    kernel("5.10.0-9-amd64"),
		"boot/initrd.img-5.10.0-9-amd64": initramfs(t, files{"init": "#!/bin/sh\n"}, "gzip", "-c"),
	}
	return made
}

// made is that system; nobody changes it.
var made files

var esp = part{kind: "vfat", id: espID, code: "ef00", files: files{"EFI/BOOT/BOOTX64.EFI": "MZ", "EFI/debian/grub.cfg": "search.fs_uuid " + rootID + " root hd0,gpt2\nset prefix=($root)'/boot/grub'\nconfigfile $prefix/grub.cfg\n"}}

func onOne(fs files) []part { return []part{esp, {kind: "ext4", id: rootID, files: fs}} }

func TestDebian(t *testing.T) {
	i := look(t, disk(t, onOne(debian(t))...))
	require.NotNil(t, i)
	assert.Equal(t, "linux", i.Kind)
	assert.Equal(t, "Larch GNU/Linux 12", i.Name)
	assert.Equal(t, 2, i.Partition)
	assert.Empty(t, i.Gap)
	require.Len(t, i.Answers, 3)
	for _, a := range i.Answers {
		assert.Equal(t, facts.Present, a.Says, "%s: %s", a.Question, a.Seen)
	}
	assert.Equal(t, "kernel "+release+" has the NVMe driver in its initramfs", i.Answer(facts.AsksDriver).Seen)
	assert.Equal(t, "/boot/initrd.img-"+release, i.Answer(facts.AsksDriver).Where)
}

// Each of these is Debian's with a few files changed.
func TestWhatIsSeen(t *testing.T) {
	lacking := files{"init": "x", modules + "kernel/drivers/nvmem/nvmem_core.ko": "module", modules + "kernel/drivers/nvme/host/nvme-core.ko.xz": "module"}
	whole := initramfs(t, lacking, "zstd", "-q", "-c")
	image := "boot/initrd.img-" + release
	var hex = strings.Repeat("x", 100)
	for _, c := range []struct {
		name   string
		change files
		matter facts.Matter
		says   facts.Held
		seen   string
	}{
		{"no driver", files{image: whole}, facts.AsksDriver, facts.Absent, "neither built in nor in its initramfs"},
		{"built in", files{image: whole, modules + "modules.builtin": "kernel/drivers/nvme/host/nvme.ko\n"}, facts.AsksDriver, facts.Present, "built in"},
		{"cut off", files{image: whole[:len(whole)-9]}, facts.AsksDriver, facts.Unknown, "initrd.img-" + release},
		{"not known what is built in", files{image: whole, modules + "modules.builtin": "-", "boot/config-" + release: "-"}, facts.AsksDriver, facts.Unknown, "built in"},
		{"by the configuration", files{image: whole, modules + "modules.builtin": "-"}, facts.AsksDriver, facts.Absent, "neither"},
		{"by a list that is cut off", files{image: whole, modules + "modules.builtin": "kernel/fs/ext4/ext4.ko\nkernel/drivers/nv", "boot/config-" + release: "-"}, facts.AsksDriver, facts.Unknown, "built in"},
		{"of another kernel", files{image: initramfs(t, files{"usr/lib/modules/5.10.0/kernel/nvme.ko": "x"})}, facts.AsksDriver, facts.Unknown, "another kernel"},
		{"sealed", files{image: initramfs(t, lacking.and(files{"squashfs-root.img": "hsqs"}))}, facts.AsksDriver, facts.Unknown, "squashfs-root.img"},
		{"compressed module", files{image: initramfs(t, files{modules + "kernel/drivers/nvme/host/nvme.ko.xz": "x"}, "xz", "--check=crc32", "-c")}, facts.AsksDriver, facts.Present, ""},
		{"a link to nothing", files{image: initramfs(t, files{modules + "nvme.ko": "-> nowhere"})}, facts.AsksDriver, facts.Absent, ""},
		{"barred", files{"etc/modprobe.d/no.conf": "# none\nblacklist nvme\n"}, facts.AsksDriver, facts.Unknown, "blacklist nvme"},
		{"not known what is barred", files{"etc/modprobe.d/large.conf": strings.Repeat("# none\n", 1<<18)}, facts.AsksDriver, facts.Unknown, "what keeps modules from being loaded is not known"},
		{"a kernel that does not say which", files{"boot/vmlinuz-" + release: kernel("?")}, facts.AsksDriver, facts.Unknown, "which one is started is not known"},
		{"root by its place", files{"boot/grub/grub.cfg": strings.ReplaceAll(grubConfig("0", rootID, "/boot"), "root=UUID="+rootID, "root=/dev/disk/by-path/pci-0000:04:00.0-part1")}, facts.AsksNames, facts.Absent, "by-path"},
		{"another root", files{"boot/grub/grub.cfg": strings.ReplaceAll(grubConfig("0", rootID, "/boot"), "root=UUID="+rootID, "root=UUID="+bootID)}, facts.AsksNames, facts.Unknown, "which is not partition 2, where the system was found"},
		{"no kernel", files{"boot/vmlinuz-" + release: "-"}, facts.AsksDriver, facts.Unknown, "vmlinuz"},
		{"another is started", files{"boot/grub/grub.cfg": grubConfig("1", rootID, "/boot"), modules + "modules.builtin": "-", "usr/lib/modules/5.10.0-9-amd64/modules.builtin": "kernel/a.ko\n"}, facts.AsksDriver, facts.Absent, "5.10.0-9-amd64"},
		{"not known which is started", files{"boot/grub/grub.cfg": grubConfig("${other}", rootID, "/boot"), "usr/lib/modules/5.10.0-9-amd64/modules.builtin": "kernel/a.ko\n"}, facts.AsksDriver, facts.Unknown, "neither"},
		{"chosen by the environment", files{"boot/grub/grub.cfg": grubConfig("${saved_entry}", rootID, "/boot"), "boot/grub/grubenv": "saved_entry=gnulinux-5.10.0-9-amd64\n", "usr/lib/modules/5.10.0-9-amd64/modules.builtin": "kernel/a.ko\n"}, facts.AsksDriver, facts.Absent, "5.10.0-9-amd64"},
		{"no loader", files{"boot/grub/grub.cfg": "-", "boot/vmlinuz-5.10.0-9-amd64": "-"}, facts.AsksDriver, facts.Present, ""},
		{"no loader's answer", files{"boot/grub/grub.cfg": "-"}, facts.AsksLoader, facts.Unknown, "no file of a loader"},
		{"no loader's line", files{"boot/grub/grub.cfg": "-"}, facts.AsksNames, facts.Unknown, "command line"},
		{"two loaders", files{"boot/extlinux/extlinux.conf": "default a\nlabel a\nlinux /boot/vmlinuz-5.10.0-9-amd64\ninitrd /boot/initrd.img-5.10.0-9-amd64\nappend root=UUID=1\n", "usr/lib/modules/5.10.0-9-amd64/modules.builtin": "kernel/a.ko\n"}, facts.AsksDriver, facts.Unknown, ""},
		{"kernel gone", files{"boot/vmlinuz-" + release: "-"}, facts.AsksLoader, facts.Absent, "vmlinuz-" + release},
		{"initramfs empty", files{image: ""}, facts.AsksLoader, facts.Absent, "initrd.img-" + release},
		{"disk by number", files{"etc/fstab": "/dev/vda2 / ext4 defaults 0 1\n"}, facts.AsksNames, facts.Absent, "/dev/vda2 /"},
		{"root by number", files{"boot/grub/grub.cfg": strings.ReplaceAll(grubConfig("0", rootID, "/boot"), "root=UUID="+rootID, "root=/dev/vda2")}, facts.AsksNames, facts.Absent, "root=/dev/vda2"},
		{"opened by number", files{"etc/crypttab": "data /dev/vdb none luks\n"}, facts.AsksNames, facts.Absent, "/dev/vdb"},
		{"later by number", files{"etc/default/grub.d/x.cfg": "GRUB_CMDLINE_LINUX=\"resume=/dev/vda3\"\n"}, facts.AsksNames, facts.Absent, "/dev/vda3"},
		{"unit by number", files{"etc/systemd/system/data.mount": "[Mount]\nWhat=/dev/sdb1\nWhere=/data\n"}, facts.AsksNames, facts.Absent, "What=/dev/sdb1"},
		{"circle", files{"etc/fstab": "-> loop", "etc/loop": "-> fstab"}, facts.AsksNames, facts.Unknown, "links"},
		{"out of the filesystem", files{"etc/fstab": "-> ../../../../../etc/real", "etc/real": "/dev/sda1 / ext4\n"}, facts.AsksNames, facts.Absent, "/dev/sda1"},
		{"/boot that is not found", files{"etc/fstab": "UUID=" + rootID + " / ext4\nUUID=99999999-0000-4000-8000-000000000009 /boot ext4\n"}, facts.AsksDriver, facts.Unknown, "UUID=99999999"},
		{"/boot on what is not read", files{"etc/fstab": "UUID=" + rootID + " / ext4\n/dev/md0 /boot ext4\n"}, facts.AsksLoader, facts.Unknown, "/dev/md0"},
		{"hostile title", files{"boot/grub/grub.cfg": "menuentry '\x1b[2J" + hex + hex + hex + "' {\nlinux /nothing\n}\n"}, facts.AsksLoader, facts.Absent, `\x1b[2J`},
	} {
		t.Run(c.name, func(t *testing.T) {
			i := look(t, disk(t, onOne(debian(t).and(c.change))...))
			require.NotNil(t, i)
			a := i.Answer(c.matter)
			assert.Equal(t, c.says, a.Says, a.Seen)
			assert.Contains(t, a.Seen, c.seen)
			assert.Less(t, len(a.Seen), 1500)
		})
	}
}

// A /boot of its own, found by fstab, from which paths begin for the loader.
func TestBootOfItsOwn(t *testing.T) {
	system, boot := files{}, files{}
	for name, text := range debian(t) {
		if inside, ok := strings.CutPrefix(name, "boot/"); ok {
			boot[inside] = text
		} else {
			system[name] = text
		}
	}
	boot["grub/grub.cfg"] = grubConfig("0", bootID, "")
	for name, line := range map[string]string{"UUID": "UUID=" + bootID, "PARTUUID": "PARTUUID=22222222-0000-4000-8000-000000000003", "PARTLABEL": "PARTLABEL=part3", "link": "/dev/disk/by-uuid/" + bootID} {
		system["etc/fstab"] = "UUID=" + rootID + " / ext4\n" + line + " /boot ext4 defaults 0 2\n"
		i := look(t, disk(t, esp, part{kind: "ext4", id: rootID, files: system.and(files{"boot/x": ""})}, part{kind: "ext3", id: bootID, files: boot}))
		for _, a := range i.Answers {
			assert.Equal(t, facts.Present, a.Says, "%s: %s: %s", name, a.Question, a.Seen)
		}
	}
	b := disk(t, esp, part{kind: "xfs", id: rootID, mib: 32, files: system.and(files{"boot/x": ""})}, part{kind: "xfs", id: bootID, mib: 32, files: boot})
	for _, a := range look(t, b).Answers {
		assert.Equal(t, facts.Present, a.Says, "xfs: %s: %s", a.Question, a.Seen)
	}
	// The root is not read: what is in /boot is known all the same, what names disks is not.
	i := look(t, disk(t, esp, part{kind: "btrfs", id: rootID, mib: 128}, part{kind: "ext4", id: bootID, files: boot}))
	assert.Equal(t, "linux", i.Kind)
	assert.Equal(t, 3, i.Partition)
	assert.Equal(t, facts.Present, i.Answer(facts.AsksDriver).Says, i.Answer(facts.AsksDriver).Seen)
	assert.Equal(t, facts.Present, i.Answer(facts.AsksLoader).Says, i.Answer(facts.AsksLoader).Seen)
	assert.Equal(t, facts.Unknown, i.Answer(facts.AsksNames).Says)
	assert.Contains(t, i.Answer(facts.AsksNames).Seen, "btrfs")
}

// Entries of the Boot Loader Specification on the system partition, as kernel-install
// puts them there for systemd-boot.
func TestLoaderEntries(t *testing.T) {
	system := debian(t).and(files{"boot/grub/grub.cfg": "-"})
	entries := esp
	entries.files = files{
		"EFI/systemd/systemd-bootx64.efi": "MZ", "loader/loader.conf": "timeout 3\n",
		"loader/entries/abc-1.conf": "title Larch\nlinux /abc/" + release + "/linux\ninitrd /abc/" + release + "/initrd\noptions root=UUID=" + rootID + " ro\n",
		"abc/" + release + "/linux": kernel(release), "abc/" + release + "/initrd": system["boot/initrd.img-"+release],
	}
	i := look(t, disk(t, entries, part{kind: "ext4", id: rootID, files: system}))
	for _, a := range i.Answers {
		assert.Equal(t, facts.Present, a.Says, "%s: %s", a.Question, a.Seen)
	}
	entries.files = entries.files.and(files{"loader/entries/abc-2.conf": "linux /abc/none\noptions root=/dev/vda2\n"})
	i = look(t, disk(t, entries, part{kind: "ext4", id: rootID, files: system}))
	assert.Equal(t, facts.Unknown, i.Answer(facts.AsksDriver).Says)
	assert.Equal(t, facts.Unknown, i.Answer(facts.AsksLoader).Says)
	assert.Equal(t, facts.Absent, i.Answer(facts.AsksNames).Says, "any may be started")
	entries.files = files{"EFI/Linux/larch.efi": "MZ"}
	i = look(t, disk(t, entries, part{kind: "ext4", id: rootID, files: system}))
	assert.Equal(t, facts.Unknown, i.Answer(facts.AsksDriver).Says)
	assert.Contains(t, i.Answer(facts.AsksDriver).Seen, "no unified kernel image that can be read")
}

// Entries that GRUB reads, of which its environment names the one that is started, as
// Fedora has them (from memory).
func TestEntriesByGRUB(t *testing.T) {
	entry := func(release string) string {
		return "title Larch\nversion " + release + "\nlinux /boot/vmlinuz-" + release + "\ninitrd /boot/initrd.img-" + release + " $tuned_initrd\noptions $kernelopts $tuned_params\n"
	}
	system := debian(t).and(files{
		"boot/grub/grub.cfg":            "load_env\nif [ \"${next_entry}\" ] ; then\n set default=\"${next_entry}\"\nelse\n set default=\"${saved_entry}\"\nfi\ninsmod blscfg\nblscfg\n",
		"boot/loader/entries/id-6.conf": entry(release), "boot/loader/entries/id-5.conf": entry("5.10.0-9-amd64"),
		"usr/lib/modules/5.10.0-9-amd64/modules.builtin": "kernel/a.ko\n",
	})
	for saved, says := range map[string]facts.Held{"id-6": facts.Present, "id-5": facts.Absent, "": facts.Unknown, "gone": facts.Unknown} {
		i := look(t, disk(t, onOne(system.and(files{"boot/grub/grubenv": "saved_entry=" + saved + "\nkernelopts=root=UUID=" + rootID + " ro\n"}))...))
		assert.Equal(t, says, i.Answer(facts.AsksDriver).Says, "%s: %s", saved, i.Answer(facts.AsksDriver).Seen)
		assert.Equal(t, facts.Present, i.Answer(facts.AsksNames).Says, i.Answer(facts.AsksNames).Seen)
		assert.Equal(t, facts.Present, i.Answer(facts.AsksLoader).Says, i.Answer(facts.AsksLoader).Seen)
	}
}

// A unified kernel image as ukify puts it together: objcopy(1) adds the sections
// (Unified Kernel Image specification).
func TestUnifiedKernelImage(t *testing.T) {
	system := debian(t).and(files{"boot/grub/grub.cfg": "-"})
	build := func(parts files) string {
		folder := parts.write(t)
		require.NoError(t, os.WriteFile(folder+"/stub.c", []byte("int efi_main(void) { return 0; }\n"), 0o644))
		piped(t, nil, folder, "gcc", "-c", "-o", "stub.o", "stub.c")
		command := []string{"objcopy", "-O", "pei-x86-64"}
		at := 0x1000000
		for _, name := range []string{".osrel", ".cmdline", ".uname", ".initrd", ".linux"} {
			if _, ok := parts[name]; ok {
				command = append(command, "--add-section", name+"="+name, "--set-section-flags", name+"=contents,alloc,load,readonly,data", "--change-section-vma", fmt.Sprintf("%s=%#x", name, at))
				at += (len(parts[name])/4096 + 2) * 4096
			}
		}
		piped(t, nil, folder, append(command, "stub.o", "stub.efi")...)
		b, err := os.ReadFile(folder + "/stub.efi")
		require.NoError(t, err)
		return string(b)
	}
	parts := files{".cmdline": "root=UUID=" + rootID + " ro\x00", ".uname": release, ".initrd": system["boot/initrd.img-"+release], ".linux": kernel(release)}
	one := func(parts files, more files) *facts.Installed {
		p := esp
		p.files = files{"EFI/systemd/systemd-bootx64.efi": "MZ", "EFI/Linux/larch-1.efi": build(parts)}.and(more)
		return look(t, disk(t, p, part{kind: "ext4", id: rootID, files: system}))
	}
	for _, a := range one(parts, nil).Answers {
		assert.Equal(t, facts.Present, a.Says, "%s: %s", a.Question, a.Seen)
	}
	i := one(parts.and(files{".initrd": initramfs(t, files{"init": "x"}), ".cmdline": "root=/dev/vda2"}), nil)
	assert.Equal(t, facts.Absent, i.Answer(facts.AsksDriver).Says, i.Answer(facts.AsksDriver).Seen)
	assert.Equal(t, facts.Absent, i.Answer(facts.AsksNames).Says)
	i = one(parts.and(files{".initrd": "-"}), nil)
	assert.Equal(t, facts.Absent, i.Answer(facts.AsksDriver).Says, "it has none")
	i = one(parts.and(files{".linux": "-"}), nil)
	assert.Equal(t, facts.Unknown, i.Answer(facts.AsksDriver).Says)
	i = one(parts, files{"EFI/Linux/larch-1.efi.extra.d/a.addon.efi": "MZ"})
	assert.Equal(t, facts.Unknown, i.Answer(facts.AsksNames).Says)
	system = debian(t) // GRUB's menu too: either may be what is started
	i = one(parts.and(files{".initrd": initramfs(t, files{"init": "x"})}), nil)
	assert.Equal(t, facts.Unknown, i.Answer(facts.AsksDriver).Says, i.Answer(facts.AsksDriver).Seen)
}

func TestWhatIsNoSystem(t *testing.T) {
	assert.Nil(t, look(t, disk(t, esp, part{kind: "ext4", id: rootID, files: files{"photos/a": "x"}})))
	assert.Nil(t, look(t, disk(t)))
	i := look(t, disk(t, esp, part{kind: "btrfs", id: rootID, mib: 128}))
	assert.Empty(t, i.Kind)
	assert.Equal(t, "partition 2 is btrfs, which lendkeep does not look into", i.Gap)
	two := look(t, disk(t, part{kind: "ext4", id: rootID, files: debian(t)}, part{kind: "ext4", id: bootID, files: debian(t)}))
	assert.Empty(t, two.Kind)
	assert.Contains(t, two.Gap, "partition 1, partition 2")
}

// A journal that is to be replayed may change each of the answers (s_feature_incompat,
// needs_recovery: kernel Documentation/filesystems/ext4/super.rst).
func TestLeftDirty(t *testing.T) {
	b := disk(t, part{kind: "ext3", id: rootID, files: debian(t)})
	b[mib+1024+0x60] |= 0x4
	i := look(t, b)
	assert.Equal(t, "linux", i.Kind)
	for _, a := range i.Answers {
		assert.Equal(t, facts.Unknown, a.Says)
		assert.Contains(t, a.Seen, "journal is to be replayed")
		assert.Contains(t, a.Seen, "; seen: ")
	}
}
