package sysfs

import (
	"io/fs"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/facts"
)

func TestWatchThatIsInstalled(t *testing.T) {
	archive := newArchive()
	assert.Equal(t, facts.InstalledWatch{}, surveyOf(t, archive).Watch)

	archive = newArchive()
	for name, n := range map[string]*node{
		"run/systemd/system":   {mode: fs.ModeDir | 0o555},
		facts.WatchUnit[1:]:    {mode: 0o444, content: []byte("[Unit]\n")},
		facts.WatchLink[1:]:    {mode: fs.ModeSymlink | 0o777, target: facts.WatchUnit},
		facts.WatchProgram[1:]: {mode: 0o555, content: []byte("\x7fELF and so on")},
	} {
		require.NoError(t, archive.add(name, n))
	}
	archive.sortChildren()
	survey := surveyOf(t, archive)
	assert.Equal(t, facts.InstalledWatch{Systemd: true, Program: true, WatchFiles: facts.WatchFiles{Unit: "[Unit]\n", Enabled: true}}, survey.Watch)
	assert.Empty(t, survey.Guard.Gaps)
}

func TestUnitThatOthersMayWrite(t *testing.T) {
	if os.Geteuid() != 0 {
		t.Skip("only root can make a file of root's")
	}
	root := t.TempDir()
	file := filepath.Join(root, facts.WatchUnit)
	require.NoError(t, os.MkdirAll(filepath.Dir(file), 0o755))
	require.NoError(t, os.WriteFile(file, []byte("[Unit]\n"), 0o600))
	require.NoError(t, os.Chmod(file, 0o622))
	tree, err := Open(root)
	require.NoError(t, err)
	s := &survey{reader: reader{fsys: tree.fsys}, machine: true}
	s.readGuard(t.Context())
	require.Len(t, s.out.Watch.Gaps, 1)
	assert.Equal(t, facts.Gap{Fact: "watch.unit", Path: facts.WatchUnit, Reason: "others than root may write it"}, s.out.Watch.Gaps[0])
	assert.Empty(t, s.out.Watch.Unit)
	assert.True(t, s.out.Guard.Known(), "the guard itself is not in doubt")
}
