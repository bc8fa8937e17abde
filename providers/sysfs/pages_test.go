package sysfs

import (
	"errors"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestKeepPages(t *testing.T) {
	root := t.TempDir()
	dir := filepath.Join(root, "sys/devices/system/node/node1/hugepages/hugepages-1048576kB")
	require.NoError(t, os.MkdirAll(dir, 0o755))
	put := func(name, text string) {
		require.NoError(t, os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600))
	}
	put("nr_hugepages", "0\n")
	put("surplus_hugepages", "0\n")
	tree, err := Open(root)
	require.NoError(t, err)
	asked := ""
	kernel := func(answer string, err error) func(string, string) error {
		return func(path, text string) error {
			asked = path + " " + text
			put("nr_hugepages", answer)
			return err
		}
	}
	tree.write = kernel("4\n", nil)
	require.NoError(t, tree.KeepPages(t.Context(), 1, 1<<30, 4))
	assert.Equal(t, filepath.Join(dir, "nr_hugepages")+" 4", asked)
	tree.write = kernel("3\n", nil)
	assert.ErrorContains(t, tree.KeepPages(t.Context(), 1, 1<<30, 4), "the kernel has found 3;", "it answers no error itself")
	put("surplus_hugepages", "1\n")
	tree.write = kernel("4\n", nil)
	assert.ErrorContains(t, tree.KeepPages(t.Context(), 1, 1<<30, 4), "the kernel has found 3;", "surplus is no reserve")
	tree.write = kernel("4", nil)
	assert.ErrorContains(t, tree.KeepPages(t.Context(), 1, 1<<30, 4), "it is cut")
	tree.write = kernel("4\n", errors.New("cannot allocate memory"))
	assert.ErrorContains(t, tree.KeepPages(t.Context(), 1, 1<<30, 4), "keep 4 huge pages of 1.0 GiB on node 1: cannot allocate memory")
	asked = ""
	assert.ErrorContains(t, tree.KeepPages(t.Context(), 1, 2<<20, 4), "none of that size there")
	assert.ErrorContains(t, tree.KeepPages(t.Context(), 0, 1<<30, 4), "none of that size there")
	assert.Empty(t, asked)

	archive, err := Open(hostFile("larch.txtar"))
	require.NoError(t, err)
	assert.ErrorIs(t, archive.KeepPages(t.Context(), 0, 1<<30, 1), errReadOnly)
}
