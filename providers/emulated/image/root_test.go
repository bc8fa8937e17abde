package image

import (
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"github.com/diskfs/go-diskfs"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/testdata/outside"
)

// deb builds a package out of files, each empty but for its own name.
func deb(t *testing.T, name string, files ...string) Package {
	t.Helper()
	tree := t.TempDir()
	for _, file := range files {
		require.NoError(t, write(filepath.Join(tree, file), file))
	}
	control := "Package: " + name + "\nVersion: 1\nArchitecture: all\nMaintainer: nobody\nDescription: for a test\n"
	require.NoError(t, write(filepath.Join(tree, "DEBIAN/control"), control))
	built := filepath.Join(t.TempDir(), name+"_1_all.deb")
	output, err := exec.Command("dpkg-deb", "--build", "--root-owner-group", tree, built).CombinedOutput()
	require.NoError(t, err, "%s", output)
	return Package{Name: name, Version: "1", File: built}
}

func TestUnpack(t *testing.T) {
	if _, err := exec.LookPath("dpkg-deb"); err != nil {
		outside.Missing(t, "needs dpkg-deb: "+err.Error())
	}
	root := t.TempDir()
	packages := []Package{
		deb(t, "old", "bin/tool", "lib/modules/6/kernel/sound/a.ko", "lib/modules/6/kernel/fs/ext4.ko", "usr/share/doc/old/README"),
		deb(t, "new", "usr/bin/other", "var/run/kept"),
	}
	require.NoError(t, unpack(t.Context(), root, "/", packages))
	assert.FileExists(t, filepath.Join(root, "usr/bin/tool"), "a file below /bin follows the link")
	assert.FileExists(t, filepath.Join(root, "bin/other"))
	assert.FileExists(t, filepath.Join(root, "run/kept"))
	assert.FileExists(t, filepath.Join(root, "usr/lib/modules/6/kernel/fs/ext4.ko"))
	assert.NoFileExists(t, filepath.Join(root, "usr/lib/modules/6/kernel/sound/a.ko"))
	assert.NoFileExists(t, filepath.Join(root, "usr/share/doc/old/README"))
	target, err := os.Readlink(filepath.Join(root, "var/run"))
	require.NoError(t, err)
	assert.Equal(t, "../run", target)
	kernel, err := release(root)
	require.NoError(t, err)
	assert.Equal(t, "6", kernel)

	damaged := Package{File: filepath.Join(t.TempDir(), "damaged_1_all.deb")}
	require.NoError(t, os.WriteFile(damaged.File, []byte("no archive"), 0o600))
	assert.ErrorContains(t, unpack(t.Context(), t.TempDir(), "/", []Package{damaged}), "damaged_1_all.deb")
}

func TestPartition(t *testing.T) {
	name := filepath.Join(t.TempDir(), "disk.raw")
	require.NoError(t, partition(name))
	disk, err := diskfs.Open(name, diskfs.WithOpenMode(diskfs.ReadOnly))
	require.NoError(t, err)
	defer disk.Close()
	table, err := disk.GetPartitionTable()
	require.NoError(t, err)
	require.Len(t, table.GetPartitions(), 1)
	root := table.GetPartitions()[0]
	assert.Equal(t, int64(firstByte), root.GetStart())
	assert.Equal(t, int64(rootBytes), root.GetSize())
	stat, err := os.Stat(name)
	require.NoError(t, err)
	assert.Equal(t, int64(diskBytes), stat.Size())
}
