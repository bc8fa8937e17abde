package systemd

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/watch"
	"lendkeep/testdata/outside"
)

// stand gives units below a root of their own, with a systemctl that only notes
// what it is asked, and that fails where it is told to.
func stand(t *testing.T, fails string) (Units, func() string) {
	root := t.TempDir()
	notes := filepath.Join(root, "notes")
	program := filepath.Join(root, "systemctl")
	script := "#!/bin/sh\necho \"$*\" >> " + notes + "\n[ \"$1\" != \"" + fails + "\" ] || { echo 'no such thing' >&2; exit 1; }\n"
	require.NoError(t, os.WriteFile(program, []byte(script), 0o755))
	return Units{root, program}, func() string {
		content, _ := os.ReadFile(notes)
		_ = os.Remove(notes)
		return strings.ReplaceAll(strings.TrimSpace(string(content)), "\n", "; ")
	}
}

func TestInstallRenewRemove(t *testing.T) {
	u, asked := stand(t, "")
	unit := filepath.Join(u.Root, facts.WatchUnit)
	require.NoError(t, u.InstallWatch(t.Context(), facts.WatchFiles{Unit: "one", Enabled: true}))
	assert.Equal(t, "daemon-reload; enable lendkeep-watch.service; restart lendkeep-watch.service", asked())
	stat, err := os.Stat(unit)
	require.NoError(t, err)
	assert.Equal(t, os.FileMode(0o644), stat.Mode().Perm())

	require.NoError(t, os.Chmod(unit, 0o666))
	require.NoError(t, u.InstallWatch(t.Context(), facts.WatchFiles{Unit: "two"}))
	assert.Equal(t, "disable --now lendkeep-watch.service; daemon-reload", asked())
	stat, err = os.Stat(unit)
	require.NoError(t, err)
	assert.Equal(t, os.FileMode(0o644), stat.Mode().Perm(), "whatever it was before")
	content, err := os.ReadFile(unit)
	require.NoError(t, err)
	assert.Equal(t, "two", string(content))

	require.NoError(t, u.InstallWatch(t.Context(), facts.WatchFiles{}))
	assert.Equal(t, "disable --now lendkeep-watch.service; daemon-reload", asked())
	assert.NoFileExists(t, unit)
	require.NoError(t, u.InstallWatch(t.Context(), facts.WatchFiles{}))
	assert.Equal(t, "daemon-reload", asked(), "nothing to remove is no error")

	link := filepath.Join(u.Root, facts.WatchLink)
	require.NoError(t, os.MkdirAll(filepath.Dir(link), 0o755))
	require.NoError(t, os.Symlink(unit, link))
	require.NoError(t, u.InstallWatch(t.Context(), facts.WatchFiles{}))
	_, err = os.Lstat(link)
	assert.ErrorIs(t, err, os.ErrNotExist, "a link to a unit that somebody removed")
}

func TestWhatSystemctlSaysIsTold(t *testing.T) {
	u, _ := stand(t, "restart")
	err := u.InstallWatch(t.Context(), facts.WatchFiles{Unit: "one", Enabled: true})
	require.EqualError(t, err, "install watch: systemctl restart lendkeep-watch.service: exit status 1: no such thing")
}

// The unit as systemd itself reads it. It wants its program to be there, so
// there is one in a root of its own.
func TestUnitIsVerifiedBySystemd(t *testing.T) {
	program, err := exec.LookPath("systemd-analyze")
	if err != nil {
		outside.Missing(t, "systemd-analyze (Debian package systemd)")
	}
	folder := t.TempDir()
	stand := filepath.Join(folder, "lendkeep")
	require.NoError(t, os.WriteFile(stand, []byte("#!/bin/sh\n"), 0o755))
	verify := func(text string) string {
		unit := filepath.Join(folder, facts.WatchName)
		require.NoError(t, os.WriteFile(unit, []byte(strings.ReplaceAll(text, facts.WatchProgram, stand)), 0o644))
		said, err := exec.Command(program, "verify", unit).CombinedOutput()
		if err != nil {
			return err.Error() + ": " + string(said)
		}
		var about []string // other units of this machine may be wrong
		for line := range strings.Lines(string(said)) {
			if strings.Contains(line, facts.WatchName) || strings.Contains(line, unit) {
				about = append(about, line)
			}
		}
		return strings.Join(about, "")
	}
	assert.Empty(t, verify(watch.Unit))
	assert.NotEmpty(t, verify(strings.Replace(watch.Unit, "Type=notify", "Typ=notify", 1)), "it would notice a mistake")
}
