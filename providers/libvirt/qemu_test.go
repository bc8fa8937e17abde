//go:build libvirt_dlopen

package libvirt

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"libvirt.org/go/libvirt"

	"lendkeep/reconcile/definition"
	"lendkeep/testdata/outside"
)

// nobody is an account without rights (common practice on Debian). As root,
// libvirt's QEMU driver would touch the host's own libvirt.
const nobody = 65534

// libvirt's QEMU driver itself, opened in a child process in a folder of its
// own with no daemon, accepts every definition, checks devices against what
// QEMU has, and gives back what the layout has nothing left to wish for.
func TestQEMUDriverAcceptsWhatIsEditedAndMade(t *testing.T) {
	if folder := os.Getenv("LENDKEEP_TEST_CHILD"); strings.HasPrefix(folder, "/") {
		askQEMUDriver(t, folder)
		return
	}
	folder := inChild(t)
	for i, w := range wishes(t, everything) {
		t.Run(w.name, func(t *testing.T) {
			answer, err := os.ReadFile(filepath.Join(folder, fmt.Sprintf("%d.answer", i)))
			require.NoError(t, err)
			after, changes, err := definition.Edit(string(answer), w.wants)
			require.NoError(t, err, "%s", answer)
			assert.Empty(t, changes)
			assert.Equal(t, string(answer), after)
		})
	}
	refused, err := os.ReadFile(filepath.Join(folder, "refused"))
	require.NoError(t, err)
	assert.Contains(t, string(refused), "define guest grading: ")
	assert.Contains(t, string(refused), "non unique alias")
	left, err := os.ReadFile(filepath.Join(folder, "left"))
	require.NoError(t, err)
	assert.Equal(t, "0 guests and 0 gaps", string(left))
}

// inChild runs this test again as nobody, and gives the folder of the answers.
func inChild(t *testing.T) string {
	if found, _ := filepath.Glob("/usr/lib/*/libvirt/connection-driver/" + qemu); len(found) == 0 {
		outside.Missing(t, "libvirt's QEMU driver is not installed (Debian package libvirt-daemon-driver-qemu)")
	}
	if _, err := exec.LookPath(program); err != nil {
		outside.Missing(t, "QEMU is not installed (Debian package qemu-system-x86): "+err.Error())
	}
	folder, err := os.MkdirTemp("", "lendkeep-qemu-")
	require.NoError(t, err)
	t.Cleanup(func() { os.RemoveAll(folder) })
	self := filepath.Join(folder, "self")
	content, err := os.ReadFile(os.Args[0])
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(self, content, 0o755))
	here := filepath.Join(folder, "providers", "libvirt")
	testdata := filepath.Join(here, samples)
	require.NoError(t, os.MkdirAll(here, 0o755))
	require.NoError(t, os.MkdirAll(testdata, 0o755))
	for _, name := range []string{"grading", "l2-kept"} {
		require.NoError(t, os.WriteFile(filepath.Join(testdata, name+".xml"), []byte(sample(t, name)), 0o644))
	}
	child := exec.Command(self, "-test.run", "^"+t.Name()+"$", "-test.v")
	child.Dir = here
	child.Env = []string{"PATH=" + os.Getenv("PATH"), "HOME=" + folder, "TMPDIR=" + folder, "LENDKEEP_TEST_CHILD=" + folder}
	if os.Geteuid() == 0 {
		require.NoError(t, os.Chown(folder, nobody, nobody))
		child.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: nobody, Gid: nobody}}
	}
	said, err := child.CombinedOutput()
	require.NoError(t, err, "%s", said)
	require.Contains(t, string(said), "--- PASS")
	if reason, err := os.ReadFile(filepath.Join(folder, "unavailable")); err == nil {
		outside.Missing(t, "libvirt's QEMU driver does not open here: "+string(reason))
	}
	return folder
}

// embedded opens libvirt's QEMU driver in the child, or says in the folder why
// that cannot be.
func embedded(t *testing.T, folder string) *Conn {
	require.NoError(t, libvirt.EventRegisterDefaultImpl()) // the driver demands it
	go func() {
		for libvirt.EventRunDefaultImpl() == nil {
		}
	}()
	c, err := Open("qemu:///embed?root=" + filepath.Join(folder, "libvirt"))
	if err != nil {
		require.NoError(t, os.WriteFile(filepath.Join(folder, "unavailable"), []byte(err.Error()), 0o600))
		return nil
	}
	return c
}

// askQEMUDriver is the child: it defines every wish, writes down the answers,
// and undefines all again.
func askQEMUDriver(t *testing.T, folder string) {
	c := embedded(t, folder)
	if c == nil {
		return
	}
	defer c.Close()
	ctx := t.Context()
	// What libvirt itself says it offers is what it takes. Of Hyper-V it says so with
	// KVM alone, but takes it in a definition.
	offers := c.Survey(ctx).Offers
	require.Empty(t, offers.Why)
	require.True(t, offers.Random, "%+v", offers)
	offers.HyperV = everything.HyperV
	for i, w := range wishes(t, offers) {
		require.NoError(t, c.Define(ctx, w.edited(t)), w.name)
		for _, g := range c.Survey(ctx).Guests {
			if g.Name == w.wants.Name {
				require.NoError(t, os.WriteFile(filepath.Join(folder, fmt.Sprintf("%d.answer", i)), []byte(g.Kept.XML), 0o600))
			}
		}
	}
	twins := strings.Replace(wishes(t, everything)[1].edited(t), "'ua-lendkeep-disk-games'", "'ua-lendkeep-net-far'", 1)
	err := c.Define(ctx, twins)
	require.Error(t, err)
	require.NoError(t, os.WriteFile(filepath.Join(folder, "refused"), []byte(err.Error()), 0o600))
	for _, g := range c.Survey(ctx).Guests {
		require.NoError(t, c.Undefine(ctx, g.Name))
	}
	v := c.Survey(ctx)
	left := fmt.Sprintf("%d guests and %d gaps", len(v.Guests), len(v.Gaps))
	require.NoError(t, os.WriteFile(filepath.Join(folder, "left"), []byte(left), 0o600))
}
