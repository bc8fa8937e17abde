package suite

import (
	"bytes"
	"os"
	"path"
	"slices"
	"strings"

	"github.com/cavaliergopher/cpio"
	"github.com/stretchr/testify/require"
)

// A Linux guest in which QEMU's agent runs: the host's own kernel, and a first
// filesystem with busybox, the agent and what drives it needs.
const (
	guestKernel = "/var/lib/images/agent.kernel"
	guestInitrd = "/var/lib/images/agent.initrd"
)

// guestModules are what such a guest needs of the kernel; ext4 asks for crc32c by
// name.
var guestModules = []string{"virtio_pci", "virtio_blk", "virtio_console", "nvme", "crc32c_generic", "ext4"}

// guestInit is its first program. It mounts /dev/vda at /disk, takes over what is in
// /disk/system as its own, and ends with the agent: /sbin/shutdown is what that calls.
const guestInit = `#!/bin/busybox sh
/bin/busybox mkdir -p /proc /sys /dev /run /tmp /var/tmp /disk /sbin
/bin/busybox --install -s /bin
export PATH=/sbin:/bin
mount -t proc proc /proc; mount -t sysfs sysfs /sys; mount -t devtmpfs dev /dev
for m in /modules/*; do insmod $m; done
n=0; while [ $n -lt 30 ] && ! ls /sys/class/virtio-ports/* >/dev/null 2>&1; do sleep 1; n=$((n+1)); done
sleep 2
mount -t ext4 /dev/vda /disk
[ -d /disk/system ] && cp -a /disk/system/. /
for p in /sys/class/virtio-ports/*; do
	read name < $p/name
	[ "$name" = org.qemu.guest_agent.0 ] && port=/dev/${p##*/}
done
echo agent-begins > /dev/console
qemu-ga -m virtio-serial -p $port -t /run -f /run/qemu-ga.pid
sync; umount -a; poweroff -f
`

// guestShutdown is what the agent calls to switch the guest off.
const guestShutdown = "#!/bin/busybox sh\nsync; umount -a; poweroff -f\n"

// layGuest puts kernel and first filesystem of such a guest onto the host.
func (h host) layGuest() {
	h.Helper()
	h.run("mkdir", "-p", "/var/lib/images")
	h.Cleanup(func() { h.run("rm", "-f", guestKernel, guestInitrd) })
	kernel, err := os.ReadFile(h.emulated.Kernel())
	require.NoError(h, err)
	require.NoError(h, h.emulated.WriteFile(h.Context(), guestKernel, kernel, 0o644))
	require.NoError(h, h.emulated.WriteFile(h.Context(), guestInitrd, h.guestTree(), 0o644))
}

// guestTree packs the first filesystem, out of files of the host.
func (h host) guestTree() []byte {
	h.Helper()
	var packed bytes.Buffer
	archive := cpio.NewWriter(&packed)
	made := map[string]bool{".": true}
	var folder func(name string)
	folder = func(name string) {
		if made[name] {
			return
		}
		folder(path.Dir(name))
		made[name] = true
		require.NoError(h, archive.WriteHeader(&cpio.Header{Name: name, Mode: cpio.TypeDir | 0o755, Links: 2}))
	}
	add := func(name string, content []byte) {
		name = strings.TrimPrefix(name, "/")
		folder(path.Dir(name))
		require.NoError(h, archive.WriteHeader(&cpio.Header{Name: name, Mode: cpio.TypeReg | 0o755, Links: 1, Size: int64(len(content))}))
		_, err := archive.Write(content)
		require.NoError(h, err)
	}
	add("/init", []byte(guestInit))
	add("/sbin/shutdown", []byte(guestShutdown))
	add("/etc/os-release", h.read("/usr/lib/os-release"))
	add("/bin/busybox", h.read("/bin/busybox"))
	add("/bin/qemu-ga", h.read("/usr/sbin/qemu-ga"))
	for _, library := range h.libraries("/usr/sbin/qemu-ga") {
		add(library, h.read(library))
	}
	for i, module := range h.moduleFiles(guestModules) {
		add("/modules/"+string(rune('a'+i/26))+string(rune('a'+i%26))+"-"+path.Base(module), h.read(module))
	}
	require.NoError(h, archive.Close())
	return packed.Bytes()
}

func (h host) read(name string) []byte {
	h.Helper()
	content, err := h.emulated.ReadFile(h.Context(), name)
	require.NoError(h, err)
	return content
}

// libraries lists what a program is linked with, its loader among them.
func (h host) libraries(program string) []string {
	h.Helper()
	var list []string
	for line := range strings.Lines(h.run("ldd", program)) {
		for _, word := range strings.Fields(line) {
			if strings.HasPrefix(word, "/") {
				list = append(list, word)
			}
		}
	}
	require.NotEmpty(h, list)
	return list
}

// moduleFiles lists the files of modules and of all they need, each after what it
// needs.
func (h host) moduleFiles(names []string) []string {
	h.Helper()
	var list []string
	for line := range strings.Lines(h.run(append([]string{"modprobe", "--show-depends", "-a"}, names...)...)) {
		words := strings.Fields(line)
		if len(words) > 1 && words[0] == "insmod" && !slices.Contains(list, words[1]) {
			list = append(list, words[1])
		}
	}
	require.NotEmpty(h, list)
	return list
}
