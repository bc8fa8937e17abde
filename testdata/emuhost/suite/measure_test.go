package suite

import (
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/agent"
	"lendkeep/providers/emulated"
	"lendkeep/providers/emulated/machine"
	"lendkeep/reconcile/speed"
	"lendkeep/testdata/emuhost"
)

// measured has the reel lent to grading, which has a virtual disk besides.
const measured = `
host "larch" {
}

controller "reel" {
  nvme {
    serial = "` + machine.Reel + `"
  }
}

guest "grading" {
  system  = "linux"
  borrows = [controller.reel]
  stop { within = "100s" }
}

shift "day" { guests = [guest.grading] }
shift "night" { guests = [] }
`

// measureProgram is where the program lies that is put into a Linux guest.
const measureProgram = "/usr/lib/lendkeep/lendkeep-measure-linux-amd64"

// The guest's virtual disks: one with a filesystem that has room for a file and for
// others besides, one that is only read.
const (
	workDisk  = "/var/lib/images/work.img"
	plainDisk = "/var/lib/images/plain.img"
)

// disk is a virtual disk that the guest knows by its serial.
func disk(image, target, serial string) string {
	return "<disk type='file' device='disk'><driver name='qemu' type='raw' cache='none'/><source file='" + image + "'/><target dev='" + target + "' bus='virtio'/><serial>" + serial + "</serial></disk>"
}

// withMeasure gives larch with lendkeep and the program that measures.
func withMeasure(t testing.TB) host {
	h := withProgram(t)
	folder := t.TempDir()
	build := exec.Command("go", "build", "-trimpath", "-o", folder, "lendkeep/cmd/lendkeep-measure")
	build.Env = append(os.Environ(), "CGO_ENABLED=0", "GOOS=linux", "GOARCH=amd64")
	output, err := build.CombinedOutput()
	require.NoError(t, err, "%s", output)
	content, err := os.ReadFile(filepath.Join(folder, "lendkeep-measure"))
	require.NoError(t, err)
	h.run("mkdir", "-p", filepath.Dir(measureProgram))
	h.Cleanup(func() {
		h.run("rm", "-rf", filepath.Dir(measureProgram), "/root/before.json", "/root/written.json", "/root/lent.json", "/root/chart.svg")
	})
	require.NoError(t, h.emulated.WriteFile(h.Context(), measureProgram, content, 0o755))
	return h
}

// answers waits until the agent in a guest does. Of one that does not, what the
// guest's console says is told.
func (h host) answers(guest string) {
	h.Helper()
	h.Cleanup(func() {
		if h.Failed() {
			h.Logf("console of %s:\n%s", guest, h.try("tail", "-n", "60", emuhost.Guest{Name: guest}.Serial()).Stdout)
		}
	})
	h.until(4*time.Minute, "the agent of "+guest+" answers", func() bool {
		return h.try("virsh", "qemu-agent-command", guest, `{"execute": "guest-ping"}`).Exit == 0
	})
}

// measure measures in grading, and nothing stays there.
func (h host) measure(label string, more ...string) {
	h.Helper()
	h.mustLendkeep(append([]string{"measure", "workshop", "--guest", "grading", "--label", label, "--runs", "5", "--lasts", "100ms", "-o", label + ".json"}, more...)...)
	g, err := agent.Meet(h.Context(), asking{h}, "grading")
	require.NoError(h, err)
	for folder, want := range map[string]string{"/var/tmp": "", "/disk": "lost+found"} {
		left, err := g.Run(h.Context(), "ls", "-A", folder)
		require.NoError(h, err)
		assert.Equal(h, want, strings.TrimSpace(string(left.Out)), "something is left in the guest")
	}
}

// asking is the way to a guest's agent by virsh, beside lendkeep's own.
type asking struct{ host }

func (a asking) AskAgent(ctx context.Context, guest, command string, _ time.Duration) (string, error) {
	result, err := a.emulated.Run(ctx, "virsh", "qemu-agent-command", "--timeout", "20", guest, command)
	if err != nil {
		return "", err
	}
	return result.Stdout, result.Err()
}

// The drive through the host, then lent: both measured by the guest's own agent
// without a hand, and compared. The figures are those of software that emulates
// hardware, and mean nothing about any.
func TestMeasuredBeforeAndLent(t *testing.T) {
	h := withMeasure(t)
	h.layGuest()
	h.Cleanup(func() {
		h.try("virsh", "destroy", "grading")
		h.unguarded()
		h.blank(machine.Reel)
		h.run("rm", "-f", workDisk, plainDisk)
	})
	h.shell("head -c 128M /dev/urandom > " + plainDisk + " && cat " + plainDisk + " > " + h.namespace(machine.Reel) + `
		truncate -s 3G ` + workDisk + " && mkfs.ext4 -q -F " + workDisk + " && sync && udevadm settle")
	h.defineGuest("grading", disk(workDisk, "vda", "WORK-1")+disk(plainDisk, "vdb", "PLAIN-1"))
	h.layout(measured)

	h.run("virsh", "start", "grading")
	h.answers("grading")
	h.measure("before", "--device", "/dev/vdb")
	h.measure("written", "--folder", "/disk", "--write", "--size", "64MiB")
	h.run("virsh", "shutdown", "--mode", "agent", "grading")
	h.until(time.Minute, "grading is off", func() bool { return strings.Contains(h.run("virsh", "domstate", "grading"), "shut off") })

	h.apply("--shift", "day")
	h.answers("grading")
	h.measure("lent", "--device", "/dev/nvme0n1")

	given := &speed.VirtualDisk{Name: "vdb", Bus: "virtio", Format: "raw", Cache: "none"}
	for label, want := range map[string]*speed.VirtualDisk{"before": given, "written": {Name: "vda", Bus: "virtio", Format: "raw", Cache: "none"}, "lent": nil} {
		r := h.result(label)
		require.NotNil(t, r.Host, label)
		assert.Equal(t, want, r.Host.Disk, label)
		assert.Equal(t, want == nil, r.Host.Lent, label)
		assert.Equal(t, label == "written", r.Method.Written > 0, label)
	}
	lent := h.result("lent")
	assert.Equal(t, machine.Reel, lent.Target.Drive.Serial)
	assert.Equal(t, "nvme", lent.Target.Driver)
	require.NotNil(t, lent.Host.Way)

	compared := h.mustLendkeep("measure", "--compare", "before.json", "lent.json", "--svg", "chart.svg")
	t.Logf("These figures are of software that emulates hardware; they mean nothing about any.\n%s", compared)
	for _, words := range []string{"before", "lent", "random read", "how many times its rate"} {
		assert.Contains(t, compared, words)
	}
	assert.Contains(t, string(h.read("/root/chart.svg")), "<svg")

	// A guest that goes down in the middle: an error in words, and what may be left.
	program, err := h.emulated.Begin(h.Context(), emulated.Command{Argv: []string{"env", "-C", "/root", "lendkeep", "measure", "workshop", "--guest", "grading",
		"--label", "cut", "--folder", "/disk", "--write", "--size", "64MiB", "--lasts", "10s", "-o", "cut.json"}})
	require.NoError(t, err)
	time.Sleep(20 * time.Second)
	h.run("virsh", "destroy", "grading")
	ended, err := program.Await(h.Context())
	require.NoError(t, err)
	assert.Contains(t, []int{2, 4}, ended.Exit, ended.Stderr)
	assert.Contains(t, ended.Stderr, "not running")
	assert.NotZero(t, h.try("stat", "/root/cut.json").Exit)
	h.returned(machine.Reel)
}

func (h host) result(label string) speed.Result {
	h.Helper()
	r, err := speed.Decode(h.read("/root/" + label + ".json"))
	require.NoError(h, err)
	return r
}

// defineGuest makes a guest with an agent known to libvirt for as long as the test
// runs.
func (h host) defineGuest(name, devices string) {
	h.Helper()
	file := "/tmp/" + name + ".xml"
	definition := "<domain type='qemu'>\n<name>" + name + "</name>\n<memory unit='MiB'>384</memory>\n<vcpu>1</vcpu>\n" +
		"<os><type arch='x86_64' machine='q35'>hvm</type><kernel>" + guestKernel + "</kernel><initrd>" + guestInitrd + "</initrd><cmdline>console=ttyS0 quiet root=LABEL=system</cmdline></os>\n" +
		"<features><acpi/></features>\n<devices>\n<controller type='usb' model='none'/>\n<memballoon model='none'/>\n" +
		"<serial type='file'><source path='" + emuhost.Guest{Name: name}.Serial() + "'/></serial>\n" +
		"<channel type='unix'><target type='virtio' name='org.qemu.guest_agent.0'/></channel>\n" + devices + "\n</devices>\n</domain>\n"
	require.NoError(h, h.emulated.WriteFile(h.Context(), file, []byte(definition), 0o644))
	h.run("virsh", "define", file)
	h.Cleanup(func() {
		h.try("virsh", "destroy", name)
		h.try("virsh", "undefine", "--nvram", name)
		h.run("rm", "-f", file)
	})
}
