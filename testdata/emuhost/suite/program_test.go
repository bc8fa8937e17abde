package suite

import (
	"encoding/hex"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lendkeep/providers/emulated"
	"lendkeep/reconcile/facts"
	"lendkeep/testdata/emuhost"
)

// programs builds lendkeep and its guard once, for here and for inside, and
// gives their folder.
var programs = sync.OnceValues(func() (string, error) {
	folder, err := os.MkdirTemp("", "lendkeep-programs-")
	if err != nil {
		return "", err
	}
	for name, cgo := range map[string]string{"lendkeep": "1", "lendkeep-hook": "0"} {
		build := exec.Command("go", "build", "-tags", "libvirt_dlopen", "-o", folder, "lendkeep/cmd/"+name)
		build.Env = append(os.Environ(), "CGO_ENABLED="+cgo)
		build.Stderr = os.Stderr
		if err := build.Run(); err != nil {
			return "", err
		}
	}
	return folder, nil
})

// withProgram gives larch with lendkeep and its guard's program there. What they
// write is removed in the end, the guard with it.
func withProgram(t testing.TB) host {
	h := onLarch(t)
	folder, err := programs()
	require.NoError(t, err)
	for name, inside := range map[string]string{"lendkeep": facts.WatchProgram, "lendkeep-hook": facts.GuardProgram} {
		content, err := os.ReadFile(filepath.Join(folder, name))
		require.NoError(t, err)
		if stat := h.try("stat", "-c", "%s", inside); strings.TrimSpace(stat.Stdout) != strconv.Itoa(len(content)) {
			require.NoError(t, h.emulated.WriteFile(h.Context(), inside, content, 0o755))
		}
	}
	h.Cleanup(h.forget)
	return h
}

// forget removes what lendkeep's programs write, the guard with it.
func (h host) forget() {
	h.Helper()
	h.unguarded()
	h.run("rm", "-rf", "/etc/lendkeep", "/var/lib/lendkeep", "/run/lendkeep", "/root/workshop", "/tmp/an.order", "/tmp/apply.log")
}

// unguarded takes the guard away and waits until it has ended what it was at.
func (h host) unguarded() {
	h.Helper()
	h.run("rm", "-f", facts.GuardHook, facts.GuardRules, facts.GuardUdev)
	h.until(time.Minute, "the guard has ended", func() bool { return h.try("pgrep", "-f", "lendkeep-hook").Exit != 0 })
}

// lendkeep runs lendkeep in /root and tells how it ended.
func (h host) lendkeep(arguments ...string) emulated.Result {
	h.Helper()
	return h.try(append([]string{"env", "-C", "/root", "lendkeep"}, arguments...)...)
}

// mustLendkeep is lendkeep with exit 0, and gives what it printed.
func (h host) mustLendkeep(arguments ...string) string {
	h.Helper()
	result := h.lendkeep(arguments...)
	require.NoError(h, result.Err())
	return result.Stdout
}

// layout writes /root/workshop.
func (h host) layout(text string) {
	h.Helper()
	h.run("mkdir", "-p", "/root/workshop")
	require.NoError(h, h.emulated.WriteFile(h.Context(), "/root/workshop/larch.hcl", []byte(text), 0o644))
}

// apply plans and carries the order out.
func (h host) apply(planning ...string) string {
	h.Helper()
	code := h.plan(planning...)
	return h.mustLendkeep("apply", "/tmp/an.order", "--approve", code)
}

// plan writes /tmp/an.order and gives its approval code.
func (h host) plan(planning ...string) string {
	h.Helper()
	out := h.mustLendkeep(append([]string{"plan", "workshop", "-o", "/tmp/an.order"}, planning...)...)
	_, rest, found := strings.Cut(out, "Approval code: ")
	require.True(h, found, out)
	return strings.Fields(rest)[0]
}

// sleeper is a boot sector: it prints R on the serial line, then sleeps until
// the power button is pressed and switches off, as an operating system would.
// The ports are those of the Q35's power management: base 0x600 as SeaBIOS sets
// it (hw/acpi and src/fw/pciinit.c of QEMU and SeaBIOS), enable at +2, status at
// +0 with bit 8 the button, control at +4 with bit 13 to sleep (ACPI 6.4, 4.8.3).
const sleeper = "baf803b052ee" + // R to the serial line
	"ba0206b80001ef" + // enable the power button's event
	"fbf4ba0006edf6c40174f6" + // sleep, and look whether it was pressed
	"ba0406b80020efebfe" // switch off

// sleeping defines a BIOS guest that shuts down when asked to.
func (h host) sleeping(name string) {
	h.Helper()
	sector, err := hex.DecodeString(sleeper)
	require.NoError(h, err)
	image := make([]byte, 1<<20)
	copy(image, sector)
	image[510], image[511] = 0x55, 0xaa
	h.run("mkdir", "-p", "/var/lib/images")
	h.Cleanup(func() { h.run("rm", "-f", "/var/lib/images/"+name+".img") })
	require.NoError(h, h.emulated.WriteFile(h.Context(), "/var/lib/images/"+name+".img", image, 0o644))
	h.defineWith(emuhost.Guest{Name: name}, "<disk type='file' device='disk'><driver name='qemu' type='raw'/><source file='/var/lib/images/"+name+".img'/><target dev='sda' bus='sata'/></disk>")
}
