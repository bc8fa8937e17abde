package systemd

import (
	"io/fs"
	"os"
	"path/filepath"
	"testing"
	"testing/fstest"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/files"
	"lendkeep/reconcile/facts"
)

func TestWatchThatIsInstalled(t *testing.T) {
	captured := fstest.MapFS{}
	assert.Equal(t, facts.InstalledWatch{}, Installed(files.Root{FS: captured, Captured: true}))

	captured = fstest.MapFS{
		"run/systemd/system":   {Mode: fs.ModeDir | 0o555},
		facts.WatchUnit[1:]:    {Data: []byte("[Unit]\n")},
		facts.WatchLink[1:]:    {Mode: fs.ModeSymlink | 0o777, Data: []byte(facts.WatchUnit)},
		facts.WatchProgram[1:]: {Data: []byte("\x7fELF and so on")},
	}
	watch := facts.InstalledWatch{Systemd: true, Program: true, WatchFiles: facts.WatchFiles{Unit: "[Unit]\n", Enabled: true}}
	assert.Equal(t, watch, Installed(files.Root{FS: captured, Captured: true}))

	captured[facts.WatchProgram[1:]].Data = []byte("#!/bin/sh\n")
	watch.Program = false
	assert.Equal(t, watch, Installed(files.Root{FS: captured, Captured: true}))
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
	watch := Installed(files.Root{FS: files.Dir(root)})
	require.Len(t, watch.Gaps, 1)
	assert.Equal(t, facts.Gap{Fact: "watch.unit", Path: facts.WatchUnit, Reason: "others may write it: it has mode 0622 (chmod go-w)"}, watch.Gaps[0])
	assert.Empty(t, watch.Unit)
}
