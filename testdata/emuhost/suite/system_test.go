package suite

import (
	"os"
	"strings"

	"github.com/stretchr/testify/require"
)

// An installed Linux on an image: GRUB on an EFI system partition, a kernel, an initramfs
// and a root filesystem in which QEMU's agent runs. It starts from whatever disk its
// initramfs has a driver for.
const (
	systemStart = "5A1F-0016" // ids of its filesystems: of the EFI system partition
	systemRoot  = askedID     // of its root
)

// systemModules are what the initramfs holds beside the drivers of disks; ext4 asks for
// crc32c by name, vfat for its code pages.
var systemModules = []string{"virtio_pci", "virtio_console", "crc32c_generic", "ext4", "vfat", "nls_cp437", "nls_ascii"}

// earlyInit is the first program of the initramfs.
const earlyInit = `#!/bin/busybox sh
/bin/busybox mkdir -p /proc /sys /dev /root
/bin/busybox --install -s /bin
mount -t proc proc /proc; mount -t sysfs sysfs /sys; mount -t devtmpfs dev /dev
while read m; do insmod $m; done < /modules
read line < /proc/cmdline
for word in $line; do case $word in root=*) root=${word#root=};; esac; done
n=0; until mount -t ext4 $root /root || [ $n -ge 60 ]; do sleep 1; n=$((n+1)); done
umount /dev /sys /proc
exec switch_root /root /sbin/init
`

// systemInit is the first program of the system. It ends with the agent.
const systemInit = `#!/bin/busybox sh
export PATH=/sbin:/usr/sbin:/bin:/usr/bin
mount -t proc proc /proc; mount -t sysfs sysfs /sys; mount -t devtmpfs dev /dev
mount -t tmpfs run /run; mount -t tmpfs tmp /tmp; mount -a
n=0; while [ $n -lt 30 ] && ! ls /sys/class/virtio-ports/* >/dev/null 2>&1; do sleep 1; n=$((n+1)); done
for p in /sys/class/virtio-ports/*; do
	read name < $p/name
	[ "$name" = org.qemu.guest_agent.0 ] && port=/dev/${p##*/}
done
echo "root-is $(findmnt -no SOURCE /)" > /dev/console
qemu-ga -m virtio-serial -p $port -t /run -f /run/qemu-ga.pid
exec /sbin/shutdown
`

// systemShutdown is what the agent calls to switch the system off.
const systemShutdown = "#!/bin/busybox sh\nexport PATH=/bin\nsync; umount /boot/efi; mount -o remount,ro /; poweroff -f\n"

// installLinux makes the image of grading with such a system; the initramfs holds these
// drivers of disks.
func (h host) installLinux(drivers ...string) {
	h.Helper()
	h.Cleanup(func() { h.run("rm", "-rf", installed, "/tmp/disk.raw", "/tmp/system", "/tmp/early", "/mnt/start") })
	release := strings.TrimSpace(h.run("uname", "-r"))
	h.run("mkdir", "-p", "/var/lib/images", "/mnt/start", "/tmp/early/bin", "/tmp/system/bin", "/tmp/system/sbin", "/tmp/system/etc", "/tmp/system/proc", "/tmp/system/sys",
		"/tmp/system/dev", "/tmp/system/run", "/tmp/system/tmp", "/tmp/system/var", "/tmp/system/boot/grub", "/tmp/system/boot/efi", "/tmp/system/lib/modules/"+release)
	kernel, err := os.ReadFile(h.emulated.Kernel())
	require.NoError(h, err)
	lay := func(name, content string) {
		require.NoError(h, h.emulated.WriteFile(h.Context(), name, []byte(content), 0o755))
	}
	lay("/tmp/system/boot/vmlinuz-"+release, string(kernel))
	lay("/tmp/early/init", earlyInit)
	lay("/tmp/system/sbin/init", systemInit)
	lay("/tmp/system/sbin/shutdown", systemShutdown)
	lay("/tmp/system/etc/fstab", "UUID="+systemRoot+" / ext4 defaults 0 1\nUUID="+systemStart+" /boot/efi vfat defaults 0 2\n")
	lay("/tmp/system/boot/grub/grub.cfg", "set default=0\nset timeout=0\nmenuentry 'Linux' {\n\tsearch --no-floppy --fs-uuid --set=root "+systemRoot+
		"\n\tlinux /boot/vmlinuz-"+release+" root=UUID="+systemRoot+" ro quiet console=ttyS0\n\tinitrd /boot/initrd.img-"+release+"\n}\n")
	modules := strings.Join(h.moduleFiles(append(drivers, systemModules...)), " ")
	programs := strings.Join(append(h.libraries("/usr/sbin/qemu-ga"), h.libraries("/usr/bin/findmnt")...), " ") + " /usr/sbin/qemu-ga /usr/bin/findmnt"
	h.shell(`cd /tmp/early && cp /bin/busybox bin && cp -L --parents ` + modules + ` . && printf '%s\n' ` + modules + ` > modules
		find . | busybox cpio -o -H newc 2>/dev/null | busybox gzip > /tmp/system/boot/initrd.img-` + release + `
		cd /tmp/system && cp -L --parents ` + programs + ` . && cp /bin/busybox bin
		for applet in $(busybox --list); do [ $applet = busybox ] || ln -s busybox bin/$applet; done
		cp /usr/lib/os-release etc && cp /lib/modules/` + release + `/modules.builtin lib/modules/` + release)
	h.imageOf("mkfs.ext4 -q -b 4096 -L system -U "+systemRoot+" -d /tmp/system ${loop}p2", "search.fs_uuid "+systemRoot+" root\nset prefix=($root)/boot/grub\nconfigfile $prefix/grub.cfg\n")
}

// imageOf makes the image of grading: a loader with its file on an EFI system partition,
// and a second partition of 135 MiB that a script lays out.
func (h host) imageOf(second, grub string) {
	h.Helper()
	require.NoError(h, h.emulated.WriteFile(h.Context(), "/tmp/grub.cfg", []byte(grub), 0o644))
	h.shell(`rm -f /tmp/disk.raw && truncate -s 200M /tmp/disk.raw
		sgdisk -n1:0:+64M -t1:EF00 -c1:start -n2:0:0 -c2:system /tmp/disk.raw >/dev/null
		loop=$(losetup -f --show -P /tmp/disk.raw) && udevadm settle
		mkfs.vfat -F16 -i ` + strings.ReplaceAll(systemStart, "-", "") + ` -n START ${loop}p1 >/dev/null && mount ${loop}p1 /mnt/start
		mkdir -p /mnt/start/EFI/BOOT /mnt/start/EFI/debian
		cp /usr/lib/grub/x86_64-efi/monolithic/grubx64.efi /mnt/start/EFI/BOOT/BOOTX64.EFI
		mv /tmp/grub.cfg /mnt/start/EFI/debian && umount /mnt/start
		` + second + `
		losetup -d $loop
		qemu-img convert -O qcow2 /tmp/disk.raw ` + installed)
}
