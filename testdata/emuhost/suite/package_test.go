package suite

import (
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/emulated/machine"
	"lendkeep/reconcile/facts"
)

// packaged gives larch with lendkeep installed by dpkg from its package. The image
// was made without dpkg, so its database is begun here and knows of no other
// package: what lendkeep depends on is there all the same.
func packaged(t *testing.T) host {
	h := onLarch(t)
	build := exec.Command("make", "-s", "-C", "../../..", "deb")
	build.Stdout, build.Stderr = os.Stderr, os.Stderr
	require.NoError(t, build.Run())
	built, err := filepath.Glob("../../../build/lendkeep_*.deb")
	require.NoError(t, err)
	require.Len(t, built, 1)
	content, err := os.ReadFile(built[0])
	require.NoError(t, err)
	h.Cleanup(func() {
		h.forget()
		h.run("rm", "-rf", "/tmp/lendkeep.deb", "/var/lib/dpkg/status", "/var/lib/dpkg/status-old", facts.WatchProgram, facts.GuardProgram)
		h.shell("rm -rf /var/lib/dpkg/info/lendkeep.* /usr/share/doc/lendkeep /usr/share/man/man?/lendkeep*")
	})
	require.NoError(t, h.emulated.WriteFile(h.Context(), "/tmp/lendkeep.deb", content, 0o644))
	h.run("rm", "-f", facts.WatchProgram, facts.GuardProgram) // of another test
	h.shell("mkdir -p /var/lib/dpkg/info /var/lib/dpkg/updates /var/lib/dpkg/triggers && touch /var/lib/dpkg/status")
	h.run("dpkg", "--force-depends", "--install", "/tmp/lendkeep.deb")
	return h
}

// Everything from the package: a drive is lent and comes back. The package stays
// while the drive is lent, and takes the guard with it when it goes, so that guests
// start as they did before there was one.
func TestPackage(t *testing.T) {
	h := packaged(t)
	h.shelved()
	h.layout(plain)
	h.sleeping("grading")
	h.mustLendkeep("survey")
	address := h.controllers()[machine.Reel]
	h.apply("--shift", "day")
	h.restartLibvirt() // it knows of the guard from now on
	assert.Equal(t, "vfio-pci", h.driver(address))

	refused := h.try("dpkg", "--remove", "lendkeep")
	assert.NotZero(t, refused.Exit)
	assert.Contains(t, refused.Stdout+refused.Stderr, "reel is lent to grading")
	h.run("test", "-x", facts.GuardHook)
	h.run("test", "-x", facts.GuardProgram)
	assert.Contains(t, h.mustLendkeep("status", "workshop"), "lent to grading")

	h.shell("pkill -x libvirtd; while pgrep -x libvirtd >/dev/null; do sleep 0.1; done")
	refused = h.try("dpkg", "--remove", "lendkeep")
	assert.NotZero(t, refused.Exit)
	assert.Contains(t, refused.Stdout+refused.Stderr, "whether something is lent is not known")
	h.run("libvirtd", "-d")
	h.until(time.Minute, "libvirt answers", func() bool { return h.try("virsh", "list").Exit == 0 })

	h.apply("--shift", "night")
	h.whole()
	h.run("dpkg", "--remove", "lendkeep")
	for _, file := range []string{facts.GuardHook, facts.GuardRules, facts.GuardUdev, facts.GuardProgram, facts.WatchProgram, "/run/lendkeep"} {
		assert.NotZero(t, h.try("test", "-e", file).Exit, file)
	}
	h.run("test", "-d", "/var/lib/lendkeep")

	h.run("umount", "/srv/shelf")
	h.run("virsh", "start", "grading")
	h.shutDown("grading")
	h.returned(machine.Reel)

	h.run("dpkg", "--purge", "lendkeep")
	for _, folder := range []string{"/var/lib/lendkeep", "/etc/lendkeep"} {
		assert.NotZero(t, h.try("test", "-e", folder).Exit, folder)
	}
}
