package sysfs

import (
	"errors"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/facts"
)

// The kernel takes another number only after none, and what it answers is read back.
func TestMakeVirtual(t *testing.T) {
	root, at := t.TempDir(), facts.Address{Bus: 0xd0}
	dir := filepath.Join(root, devicesDir, at.String())
	require.NoError(t, os.MkdirAll(dir, 0o755))
	file := filepath.Join(dir, "sriov_numvfs")
	tree, err := Open(root)
	require.NoError(t, err)
	assert.ErrorContains(t, tree.MakeVirtual(t.Context(), at, 2), "have 0000:d0:00.0 make 2 virtual functions: read /sys/bus/pci/devices/0000:d0:00.0/sriov_numvfs")

	now := func(text string) { require.NoError(t, os.WriteFile(file, []byte(text), 0o600)) }
	var asked []string
	busy := errors.New("device or resource busy")
	tree.write = func(path, text string) error {
		assert.Equal(t, file, path)
		asked = append(asked, text)
		if made, _ := os.ReadFile(path); string(made) != "0\n" && text != "0" {
			return busy
		}
		return os.WriteFile(path, []byte(text+"\n"), 0o600)
	}
	for _, c := range []struct {
		before string
		count  int
		writes []string
	}{{"0\n", 4, []string{"4"}}, {"2\n", 4, []string{"0", "4"}}, {"4\n", 2, []string{"0", "2"}}, {"4\n", 0, []string{"0"}}, {"4\n", 4, nil}, {"0\n", 0, nil}} {
		asked = nil
		now(c.before)
		require.NoError(t, tree.MakeVirtual(t.Context(), at, c.count))
		assert.Equal(t, c.writes, asked)
	}

	now("0\n")
	tree.write = func(string, string) error { return nil }
	assert.ErrorContains(t, tree.MakeVirtual(t.Context(), at, 4), "the kernel says that it has 0")
	tree.write = func(string, string) error { return busy }
	assert.ErrorIs(t, tree.MakeVirtual(t.Context(), at, 4), busy)
	now("2\n")
	assert.ErrorIs(t, tree.MakeVirtual(t.Context(), at, 4), busy, "none goes, so no other number is tried")
	now("two\n")
	assert.ErrorContains(t, tree.MakeVirtual(t.Context(), at, 4), "unexpected content")

	archive, err := Open(hostFile("larch.txtar"))
	require.NoError(t, err)
	assert.ErrorIs(t, archive.MakeVirtual(t.Context(), at, 1), errReadOnly)
}
