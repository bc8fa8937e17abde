package suite

import (
	"bytes"
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/cavaliergopher/cpio"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/agent"
	"lendkeep/reconcile/facts"
)

// askedID is the id of the filesystem that the guest says it is on.
const askedID = "7f9ad0a5-2f5f-4a8e-9c53-111111111111"

// initramfsWith makes an initramfs with one module of a kernel.
func (h host) initramfsWith(release, module string) []byte {
	h.Helper()
	var packed bytes.Buffer
	archive := cpio.NewWriter(&packed)
	content := bytes.Repeat([]byte("module"), 1<<18)
	require.NoError(h, archive.WriteHeader(&cpio.Header{Name: "usr/lib/modules/" + release + "/kernel/drivers/nvme/host/" + module, Mode: cpio.TypeReg | 0o644, Links: 1, Size: int64(len(content))}))
	_, err := archive.Write(content)
	require.NoError(h, err)
	require.NoError(h, archive.Close())
	return packed.Bytes()
}

// withAsks gives larch with lendkeep and the program that asks a guest about its system.
func withAsks(t testing.TB) host {
	h := withProgram(t)
	file := filepath.Join(t.TempDir(), "asks")
	build := exec.Command("go", "build", "-trimpath", "-tags", "libvirt_dlopen", "-o", file, "lendkeep/testdata/emuhost/asks")
	build.Env = append(os.Environ(), "CGO_ENABLED=1")
	output, err := build.CombinedOutput()
	require.NoError(t, err, "%s", output)
	content, err := os.ReadFile(file)
	require.NoError(t, err)
	h.Cleanup(func() { h.run("rm", "-f", "/tmp/asks") })
	require.NoError(t, h.emulated.WriteFile(h.Context(), "/tmp/asks", content, 0o755))
	return h
}

// asked gives what grading says of its installed system.
func (h host) asked() *facts.Installed {
	h.Helper()
	var says facts.Installed
	require.NoError(h, json.Unmarshal([]byte(h.run("/tmp/asks", "grading")), &says))
	return &says
}

// A running Linux is asked by its own agent: what it says of its driver, names and
// loader is what was laid into it, and changes with that.
func TestGuestIsAskedAboutItsSystem(t *testing.T) {
	h := withAsks(t)
	h.layGuest()
	h.Cleanup(func() {
		h.try("virsh", "destroy", "grading")
		h.run("rm", "-rf", workDisk, "/tmp/system")
	})
	release := strings.TrimSpace(h.run("uname", "-r"))
	lay := func(name string, content []byte) {
		require.NoError(t, h.emulated.WriteFile(h.Context(), "/tmp/system/"+name, content, 0o755))
	}
	h.run("mkdir", "-p", "/tmp/system/etc", "/tmp/system/boot/grub", "/tmp/system/bin", "/tmp/system/lib/modules/"+release)
	lay("etc/fstab", []byte("LABEL=system / ext4 defaults 0 1\n"))
	lay("bin/findmnt", []byte("#!/bin/busybox sh\necho / / "+askedID+"\n"))
	lay("lib/modules/"+release+"/modules.builtin", h.read("/lib/modules/"+release+"/modules.builtin"))
	lay("boot/vmlinuz-"+release, []byte("MZ"))
	lay("boot/initrd.img-"+release, h.initramfsWith(release, "nvme.ko"))
	lay("boot/without", h.initramfsWith(release, "nvme-core.ko"))
	lay("boot/grub/grub.cfg", []byte("set default=0\nmenuentry 'Linux' {\n\tsearch --no-floppy --fs-uuid --set=root "+askedID+
		"\n\tlinux /boot/vmlinuz-"+release+" root=LABEL=system ro\n\tinitrd /boot/initrd.img-"+release+"\n}\n"))
	h.shell("truncate -s 256M " + workDisk + " && mkfs.ext4 -q -F " + workDisk + ` && mkdir -p /tmp/disk && mount -o loop ` + workDisk + ` /tmp/disk
		cp -a /tmp/system /tmp/disk/system; umount /tmp/disk && rmdir /tmp/disk`)
	h.defineGuest("grading", disk(workDisk, "vda", "WORK-1"))
	h.run("virsh", "start", "grading")
	h.answers("grading")

	g, err := agent.Meet(h.Context(), asking{h}, "grading")
	require.NoError(t, err)
	files := func() string {
		all, err := g.Run(h.Context(), "find", "/etc", "/boot", "/bin", "/var", "/tmp", "-type", "f")
		require.NoError(t, err)
		return string(all.Out)
	}
	before, began := files(), time.Now()
	says := h.asked()
	t.Logf("asked for %s: %+v", time.Since(began).Round(time.Second), says)
	assert.Empty(t, says.Gap)
	assert.Equal(t, "linux", says.Kind)
	for _, q := range []facts.Matter{facts.AsksDriver, facts.AsksNames, facts.AsksLoader} {
		assert.Equal(t, facts.Present, says.Answer(q).Says, says.Answer(q).Seen)
	}
	assert.Equal(t, before, files(), "something was written in the guest")

	_, err = g.Run(h.Context(), "cp", "/boot/without", "/boot/initrd.img-"+release)
	require.NoError(t, err)
	_, err = g.Run(h.Context(), "sed", "-i", "s,LABEL=system,/dev/vda1,", "/etc/fstab")
	require.NoError(t, err)
	says = h.asked()
	assert.Equal(t, facts.Absent, says.Answer(facts.AsksDriver).Says, says.Answer(facts.AsksDriver).Seen)
	assert.Equal(t, facts.Absent, says.Answer(facts.AsksNames).Says, says.Answer(facts.AsksNames).Seen)
	assert.Equal(t, facts.Present, says.Answer(facts.AsksLoader).Says)

	_, err = g.Run(h.Context(), "rm", "/boot/vmlinuz-"+release)
	require.NoError(t, err)
	assert.Equal(t, facts.Absent, h.asked().Answer(facts.AsksLoader).Says)
}
