package suite

import (
	"bytes"
	"compress/gzip"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/emulated/machine"
	"lendkeep/reconcile/definition"
	"lendkeep/testdata/outside"
	"lendkeep/testdata/windows"
)

// windowsMiB is the size of the volume with the stand-in Windows.
const windowsMiB = 12

// installWindows makes the image of grading with a stand-in for an installed Windows,
// whose NVMe driver does not start at boot: by its Start, and by its StartOverride.
func (h host) installWindows() {
	h.Helper()
	h.Cleanup(func() { h.run("rm", "-rf", installed, "/tmp/disk.raw", "/tmp/volume.gz", "/tmp/volume", "/mnt/start") })
	volume, err := os.ReadFile(windows.Volume(h, windowsMiB, map[string][]byte{
		"Windows/System32/config/SYSTEM":        windows.Hive(windows.System(windows.Start("stornvme", 3), windows.Over("stornvme", "0", 3))),
		"Windows/System32/config/SOFTWARE":      windows.Hive(windows.Software()),
		"Windows/System32/drivers/stornvme.sys": []byte("MZ"),
	}))
	require.NoError(h, err)
	var packed bytes.Buffer
	w := gzip.NewWriter(&packed)
	_, err = w.Write(volume)
	require.NoError(h, err)
	require.NoError(h, w.Close())
	require.NoError(h, h.emulated.WriteFile(h.Context(), "/tmp/volume.gz", packed.Bytes(), 0o600))
	h.run("mkdir", "-p", "/var/lib/images", "/mnt/start")
	h.imageOf("sgdisk -d2 -n2:0:+12M -t2:0700 -c2:basic /tmp/disk.raw >/dev/null; partx -u $loop; busybox gunzip -c /tmp/volume.gz > ${loop}p2", "halt\n")
}

// registry has other programs read the driver's two numbers from a disk inside: ntfscat
// the hive, hivexget them; ntfsfix finds the volume in order.
func (h host) registry(disk string) string {
	h.Helper()
	for _, program := range []string{"ntfscat", "ntfsfix", "hivexget"} {
		if _, err := exec.LookPath(program); err != nil {
			outside.Missing(h, program+" is not here")
		}
	}
	h.shell("dd if=" + disk + " of=/tmp/volume bs=1M skip=65 count=12 iflag=direct status=none && busybox gzip -f /tmp/volume")
	unpack, err := gzip.NewReader(bytes.NewReader(h.read("/tmp/volume.gz")))
	require.NoError(h, err)
	var content bytes.Buffer
	_, err = content.ReadFrom(unpack)
	require.NoError(h, err)
	volume, hive := filepath.Join(h.TempDir(), "volume"), filepath.Join(h.TempDir(), "hive")
	require.NoError(h, os.WriteFile(volume, content.Bytes(), 0o600))
	said, err := exec.Command("ntfsfix", "--no-action", volume).CombinedOutput()
	require.NoError(h, err, "%s", said)
	system, err := exec.Command("ntfscat", volume, "Windows/System32/config/SYSTEM").Output()
	require.NoError(h, err)
	require.NoError(h, os.WriteFile(hive, system, 0o600))
	var all []string
	for _, c := range [][2]string{{"", "Start"}, {`\StartOverride`, "0"}} {
		said, err := exec.Command("hivexget", hive, `ControlSet001\Services\stornvme`+c[0], c[1]).CombinedOutput()
		require.NoError(h, err, "%s", said)
		all = append(all, strings.TrimSpace(string(said)))
	}
	return strings.Join(all, " ")
}

// changed counts the bytes in which the volume on the drive is other than in the image.
func (h host) changed(device string) string {
	h.Helper()
	return strings.TrimSpace(h.shell("qemu-img convert -O raw " + installed + " /tmp/disk.raw && { cmp -l -n $((12<<20)) -i $((65<<20)) /tmp/disk.raw " + device + " || true; } | wc -l"))
}

// The NVMe driver of a stand-in Windows is let start at boot on the copy, by one byte of
// each number, and the image stays. With the copy that goes again, and the guest has its
// old definition.
func TestCopiedWindowsIsMended(t *testing.T) {
	h := withProgram(t)
	device := h.namespace(machine.Spare)
	h.moves()
	h.installWindows()
	h.defineInstalled()
	sum := h.run("sha256sum", installed)
	was := h.run("virsh", "dumpxml", "--inactive", "grading")
	layout := strings.Replace(blankly, `"linux"`, `"windows"`, 1)

	h.layout(layout)
	out := h.mustLendkeep("plan", "workshop", "--shift", "night", "-o", "/tmp/an.order")
	for _, words := range []string{"let the NVMe driver of guest grading start at boot, on the drive of spare",
		"service stornvme: Start becomes 0", "leaves  image " + installed + " as it is"} {
		assert.Contains(t, out, words)
	}
	assert.NotContains(t, out, "by hand")
	h.apply("--shift", "night")
	assert.Equal(t, "0 0", h.registry(device))
	assert.Equal(t, "2", h.changed(device))
	assert.Equal(t, sum, h.run("sha256sum", installed))
	assert.Contains(t, h.mustLendkeep("plan", "workshop", "--shift", "night"), "there is nothing to do")
	assert.Equal(t, 6, h.lendkeep("rollback").Exit)
	h.mustLendkeep("rollback", "--erase", machine.Spare)
	h.run("cmp", "-n", "209715200", device, "/dev/zero")
	assert.True(t, definition.Same(was, h.run("virsh", "dumpxml", "--inactive", "grading")))
}
