package hook

import (
	"io/fs"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/facts"
)

// tree gives every file below a root with its mode and content.
func tree(t *testing.T, root string) map[string]string {
	files := map[string]string{}
	require.NoError(t, filepath.WalkDir(root, func(name string, entry fs.DirEntry, err error) error {
		if err != nil || entry.IsDir() {
			return err
		}
		stat, err := entry.Info()
		require.NoError(t, err)
		content, err := os.ReadFile(name)
		files[name[len(root):]] = stat.Mode().String() + " " + string(content)
		return err
	}))
	return files
}

func TestInstallRenewRemove(t *testing.T) {
	root := t.TempDir()
	own := filepath.Join(root, "etc/libvirt/hooks/qemu")
	beside := filepath.Join(root, "etc/libvirt/hooks/qemu.d/10-operator")
	require.NoError(t, os.MkdirAll(filepath.Dir(beside), 0o755))
	require.NoError(t, os.WriteFile(own, []byte("own"), 0o700))
	require.NoError(t, os.WriteFile(beside, []byte("beside"), 0o755))
	before := tree(t, root)
	f := Files{root}

	require.NoError(t, f.Install(t.Context(), facts.GuardFiles{Hook: "hook", Rules: "rules", Udev: "udev"}))
	during := tree(t, root)
	assert.Equal(t, "-rwxr-xr-x hook", during[facts.GuardHook])
	assert.Equal(t, "-rw------- rules", during[facts.GuardRules], "serials are nobody else's matter")
	assert.Len(t, during, len(before)+3, "no file in the making is left")
	assert.Equal(t, "-rwx------ own", during["/etc/libvirt/hooks/qemu"])

	require.NoError(t, f.Install(t.Context(), facts.GuardFiles{Hook: "hook 2", Rules: "rules 2", Udev: "udev 2"}))
	assert.Equal(t, "-rw-r--r-- udev 2", tree(t, root)[facts.GuardUdev])
	assert.Equal(t, "-rwxr-xr-x hook 2", tree(t, root)[facts.GuardHook])
	assert.Equal(t, "-rw------- rules 2", tree(t, root)[facts.GuardRules])

	require.NoError(t, f.Install(t.Context(), facts.GuardFiles{}))
	assert.Equal(t, before, tree(t, root), "an operator's own hooks are never touched")
	require.NoError(t, f.Install(t.Context(), facts.GuardFiles{}), "nothing to remove is no error")
}

// libvirt passes over a hook that nobody may run, so whatever permissions a file
// has, it gets its own; unless others are given back.
func TestInstallSetsPermissions(t *testing.T) {
	root := t.TempDir()
	f := Files{root}
	files := facts.GuardFiles{Hook: "hook", Rules: "rules", Udev: "udev"}
	require.NoError(t, f.Install(t.Context(), files))
	for _, name := range []string{facts.GuardHook, facts.GuardRules, facts.GuardUdev} {
		require.NoError(t, os.Chmod(filepath.Join(root, name), 0o664))
	}
	require.NoError(t, f.Install(t.Context(), files))
	now := tree(t, root)
	assert.Equal(t, "-rwxr-xr-x hook", now[facts.GuardHook])
	assert.Equal(t, "-rw------- rules", now[facts.GuardRules])
	assert.Equal(t, "-rw-r--r-- udev", now[facts.GuardUdev])

	files.HookMode = "0644"
	require.NoError(t, f.Install(t.Context(), files))
	assert.Equal(t, "-rw-r--r-- hook", tree(t, root)[facts.GuardHook], "an undo gives back what was")
	files.HookMode = "rwx"
	require.ErrorContains(t, f.Install(t.Context(), files), `mode "rwx" is none`)
}

func TestHookIsNeverThereWithoutRules(t *testing.T) {
	root := t.TempDir()
	require.NoError(t, os.MkdirAll(filepath.Join(root, facts.GuardRules, "in the way"), 0o755))
	require.Error(t, Files{root}.Install(t.Context(), facts.GuardFiles{Hook: "hook", Rules: "rules"}))
	assert.NoFileExists(t, filepath.Join(root, facts.GuardHook))

	root = t.TempDir()
	require.NoError(t, Files{root}.Install(t.Context(), facts.GuardFiles{Hook: "hook", Rules: "rules"}))
	require.NoError(t, os.Remove(filepath.Join(root, facts.GuardHook)))
	require.NoError(t, os.MkdirAll(filepath.Join(root, facts.GuardHook, "in the way"), 0o755))
	require.Error(t, Files{root}.Install(t.Context(), facts.GuardFiles{}))
	assert.FileExists(t, filepath.Join(root, facts.GuardRules))
}
