package hook

import (
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/fstest"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"lendkeep/providers/files"
	"lendkeep/reconcile/facts"
)

// guardOf reads what is installed on a host with these files; files that are none of
// the guard's are only there.
func guardOf(installed map[string]string) facts.InstalledGuard {
	captured := fstest.MapFS{}
	for name, content := range installed {
		captured[name[1:]] = &fstest.MapFile{Data: []byte(content)}
	}
	return Installed(files.Root{FS: captured, Captured: true})
}

func TestGuard(t *testing.T) {
	hook, program := "#!/bin/sh\n"+facts.GuardMark+"\n", "\x7fELF and so on"
	for name, c := range map[string]struct {
		files map[string]string
		want  facts.InstalledGuard
		gap   string
	}{
		"nothing": {nil, facts.InstalledGuard{}, ""},
		"all of it": {map[string]string{facts.GuardHook: hook, facts.GuardRules: "{}\n", facts.GuardUdev: "# x\n", facts.GuardProgram: program},
			facts.InstalledGuard{Program: true, GuardFiles: facts.GuardFiles{Hook: hook, Rules: "{}\n", Udev: "# x\n"}}, ""},
		"the program only": {map[string]string{facts.GuardProgram: program}, facts.InstalledGuard{Program: true}, ""},
		"no program":       {map[string]string{facts.GuardProgram: "#!/bin/sh\n"}, facts.InstalledGuard{}, "it is no program"},
		"cut rules":        {map[string]string{facts.GuardRules: "{"}, facts.InstalledGuard{}, "it is cut"},
		"cut udev rules":   {map[string]string{facts.GuardUdev: "SUBSYSTEM"}, facts.InstalledGuard{}, "it is cut"},
		"endless rules":    {map[string]string{facts.GuardRules: strings.Repeat("\n", 1<<20+1)}, facts.InstalledGuard{}, "longer than any"},
		"an own hook":      {map[string]string{"/etc/libvirt/hooks/qemu": "x"}, facts.InstalledGuard{Others: true}, ""},
		"a hook beside":    {map[string]string{"/etc/libvirt/hooks/qemu.d/10-x": "x"}, facts.InstalledGuard{Others: true}, ""},
	} {
		t.Run(name, func(t *testing.T) {
			got := guardOf(c.files)
			if c.gap != "" {
				require.Len(t, got.Gaps, 1)
				assert.Contains(t, got.Gaps[0].Reason, c.gap)
				assert.Contains(t, c.files, got.Gaps[0].Path)
			} else {
				assert.Empty(t, got.Gaps)
			}
			got.Gaps = nil
			assert.Equal(t, c.want, got)
		})
	}
}

// Only on this machine the files' owners mean something.
func TestGuardThatOthersMayWrite(t *testing.T) {
	root := t.TempDir()
	file := filepath.Join(root, facts.GuardRules)
	require.NoError(t, os.MkdirAll(filepath.Dir(file), 0o755))
	require.NoError(t, os.WriteFile(file, []byte("{}\n"), 0o600))
	require.NoError(t, os.Chmod(root, 0o755))
	rules := func() (string, []facts.Gap) {
		g := Rules(files.Root{FS: files.Dir(root)})
		return g.Rules, g.Gaps
	}
	if os.Geteuid() == 0 {
		text, gaps := rules()
		assert.Equal(t, "{}\n", text)
		assert.Empty(t, gaps)
		require.NoError(t, os.Chmod(file, 0o620))
		text, gaps = rules()
		assert.Empty(t, text)
		require.Len(t, gaps, 1)
		assert.Equal(t, facts.Gap{Fact: "guard.rules", Path: facts.GuardRules, Reason: "others may write it: it has mode 0620 (chmod go-w)"}, gaps[0])
		require.NoError(t, os.Chmod(file, 0o600))
		require.NoError(t, os.Chmod(filepath.Dir(file), 0o777))
		text, gaps = rules()
		assert.Empty(t, text)
		require.Len(t, gaps, 1)
		assert.Equal(t, "others may write it: its folder /etc/lendkeep has mode 0777 (chmod go-w)", gaps[0].Reason, "they could put another one there")
		require.NoError(t, os.Chmod(filepath.Dir(file), 0o755))
		require.NoError(t, os.Chown(file, 12345, 0))
	}
	text, gaps := rules()
	assert.Empty(t, text)
	require.Len(t, gaps, 1)
	assert.Equal(t, "others may write it: it belongs to user 12345", gaps[0].Reason)
}

// What libvirt does not run guards nothing, so permissions are a part of the fact.
func TestGuardOfOtherPermissions(t *testing.T) {
	if os.Geteuid() != 0 {
		t.Skip("only root can make a file of root's")
	}
	root := t.TempDir()
	require.NoError(t, os.Chmod(root, 0o755))
	for name, content := range map[string]string{facts.GuardHook: "#!/bin/sh\n" + facts.GuardMark + "\n", facts.GuardRules: "{}\n", facts.GuardUdev: "# x\n", facts.GuardProgram: "\x7fELF"} {
		file := filepath.Join(root, name)
		require.NoError(t, os.MkdirAll(filepath.Dir(file), 0o755))
		require.NoError(t, os.WriteFile(file, []byte(content), 0o644))
	}
	guard := func() facts.InstalledGuard { return Installed(files.Root{FS: files.Dir(root)}) }
	now := guard()
	assert.Equal(t, facts.Mode("0644"), now.HookMode)
	assert.Equal(t, facts.Mode("0644"), now.RulesMode)
	assert.Empty(t, now.UdevMode)
	assert.False(t, now.Runs())
	require.Len(t, now.Gaps, 1)
	assert.Equal(t, facts.Gap{Fact: "guard.program", Path: facts.GuardProgram, Reason: "it is no program, or nobody may run it"}, now.Gaps[0])

	require.NoError(t, os.Chmod(filepath.Join(root, facts.GuardHook), 0o755))
	require.NoError(t, os.Chmod(filepath.Join(root, facts.GuardRules), 0o600))
	require.NoError(t, os.Chmod(filepath.Join(root, facts.GuardProgram), 0o755))
	now = guard()
	assert.Empty(t, now.Gaps)
	assert.Equal(t, "installed", now.Condition())
	assert.Empty(t, now.HookMode)

	require.NoError(t, os.Remove(filepath.Join(root, facts.GuardRules)))
	require.NoError(t, unix.Mkfifo(filepath.Join(root, facts.GuardRules), 0o600))
	now = guard()
	require.Len(t, now.Gaps, 1)
	assert.Equal(t, facts.Gap{Fact: "guard.rules", Path: facts.GuardRules, Reason: "it is no regular file"}, now.Gaps[0], "a pipe is not waited for")
}

// damaged is a host of which nothing below a folder can be opened.
type damaged struct{ fstest.MapFS }

func (damaged) Open(name string) (fs.File, error) {
	return nil, &fs.PathError{Op: "open", Path: name, Err: unix.EIO}
}

// What cannot be read is told, and never counts as not there.
func TestGuardThatCannotBeRead(t *testing.T) {
	for _, name := range []string{facts.GuardHook, facts.GuardRules, facts.GuardUdev, facts.GuardProgram} {
		g := Installed(files.Root{FS: damaged{fstest.MapFS{name[1:]: {Data: []byte("x\n")}}}, Captured: true})
		require.Len(t, g.Gaps, 1, name)
		assert.Equal(t, name, g.Gaps[0].Path)
		assert.Equal(t, "input/output error", g.Gaps[0].Reason)
		assert.False(t, g.Known())
	}
}
