package sysfs

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"lendkeep/reconcile/facts"
)

// guardOf surveys a host with these files; files that are none of the guard's
// are only there.
func guardOf(t *testing.T, files map[string]string) facts.InstalledGuard {
	archive := newArchive()
	for name, content := range files {
		require.NoError(t, archive.add(name[1:], &node{mode: 0o444, content: []byte(content)}))
	}
	archive.sortChildren()
	return surveyOf(t, archive).Guard
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
		"endless rules":    {map[string]string{facts.GuardRules: strings.Repeat("\n", maxGuard+1)}, facts.InstalledGuard{}, "longer than any"},
		"an own hook":      {map[string]string{"/etc/libvirt/hooks/qemu": "x"}, facts.InstalledGuard{Others: true}, ""},
		"a hook beside":    {map[string]string{"/etc/libvirt/hooks/qemu.d/10-x": "x"}, facts.InstalledGuard{Others: true}, ""},
	} {
		t.Run(name, func(t *testing.T) {
			got := guardOf(t, c.files)
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
	tree, err := Open(root)
	require.NoError(t, err)
	rules := func() (string, []facts.Gap) {
		s := &survey{reader: reader{fsys: tree.fsys}, machine: true}
		s.readGuard(t.Context())
		return s.out.Guard.Rules, s.out.Guard.Gaps
	}
	if os.Geteuid() == 0 {
		text, gaps := rules()
		assert.Equal(t, "{}\n", text)
		assert.Empty(t, gaps)
		require.NoError(t, os.Chmod(file, 0o620))
		text, gaps = rules()
		assert.Empty(t, text)
		require.Len(t, gaps, 1)
		assert.Equal(t, facts.Gap{Fact: "guard.rules", Path: facts.GuardRules, Reason: "others than root may write it"}, gaps[0])
		require.NoError(t, os.Chmod(file, 0o600))
		require.NoError(t, os.Chmod(filepath.Dir(file), 0o777))
		text, gaps = rules()
		assert.Empty(t, text)
		require.Len(t, gaps, 1)
		assert.Equal(t, "others than root may write its folder /etc/lendkeep", gaps[0].Reason, "they could put another one there")
		require.NoError(t, os.Chmod(filepath.Dir(file), 0o755))
		require.NoError(t, os.Chown(file, 12345, 0))
	}
	text, gaps := rules()
	assert.Empty(t, text)
	require.Len(t, gaps, 1)
	assert.Equal(t, "it does not belong to root", gaps[0].Reason)
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
	tree, err := Open(root)
	require.NoError(t, err)
	guard := func() facts.InstalledGuard {
		s := &survey{reader: reader{fsys: tree.fsys}, machine: true}
		s.readGuard(t.Context())
		return s.out.Guard
	}
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
