package mounting

import (
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"lendkeep/spec"
	"lendkeep/testdata/outside"
)

// mounted gives the mount options at a path as this thread sees them.
func mounted(t *testing.T, dir string) string {
	t.Helper()
	content, err := os.ReadFile("/proc/thread-self/mountinfo")
	require.NoError(t, err)
	for line := range strings.Lines(string(content)) {
		if fields := strings.Fields(line); fields[4] == dir {
			return fields[5]
		}
	}
	return ""
}

func TestMountAndUnmount(t *testing.T) {
	outside.Namespace(t, func(t *testing.T, dir string) {
		require.NoError(t, Programs{}.Mount(t.Context(), "shelf", "tmpfs", dir, []string{"noatime", "nodev"}))
		assert.Contains(t, mounted(t, dir), "nodev,noatime")
		require.NoError(t, Programs{}.Unmount(t.Context(), dir))
		assert.Empty(t, mounted(t, dir))

		err := Programs{}.Unmount(t.Context(), dir)
		assert.ErrorContains(t, err, "unmount "+dir)
		assert.ErrorContains(t, err, "not mounted")
	})
}

// What spec makes of mount options, and takes them to mean, against mount(8) and
// the kernel.
func TestHardenedMounts(t *testing.T) {
	outside.Namespace(t, func(t *testing.T, dir string) {
		for _, stated := range [][]string{nil, {"noatime"}, {"defaults"}, {"suid"}, {"dev", "suid"}, {"nosuid", "suid"}, {"suid", "nosuid"}, {"users"}, {"owner"}, {"ro"}} {
			options := spec.Hardened(stated)
			require.NoError(t, Programs{}.Mount(t.Context(), "shelf", "tmpfs", dir, options))
			assert.Equal(t, spec.Trusts(options), spec.Trusts(strings.Split(mounted(t, dir), ",")), "%v: %s", options, mounted(t, dir))
			require.NoError(t, Programs{}.Unmount(t.Context(), dir))
		}
	})
}

func TestMountMakesItsPlace(t *testing.T) {
	outside.Namespace(t, func(t *testing.T, dir string) {
		place := filepath.Join(dir, "srv", "attic")
		require.NoError(t, Programs{}.Mount(t.Context(), "attic", "tmpfs", place, nil))
		assert.NotEmpty(t, mounted(t, place))
		require.NoError(t, Programs{}.Unmount(t.Context(), place))
		assert.DirExists(t, place)
		require.NoError(t, os.WriteFile(filepath.Join(dir, "file"), nil, 0o600))
		require.ErrorContains(t, Programs{}.Mount(t.Context(), "attic", "tmpfs", filepath.Join(dir, "file", "attic"), nil), "not a directory")
	})
}

func TestBusyMountNamesItsUsers(t *testing.T) {
	outside.Namespace(t, func(t *testing.T, dir string) {
		require.NoError(t, Programs{}.Mount(t.Context(), "shelf", "tmpfs", dir, nil))
		worker := exec.Command("sleep", "600")
		worker.Dir = dir
		require.NoError(t, worker.Start())
		defer func() {
			_ = worker.Process.Kill()
			_ = worker.Wait()
			require.NoError(t, Programs{}.Unmount(t.Context(), dir))
		}()
		err := Programs{}.Unmount(t.Context(), dir)
		assert.ErrorContains(t, err, "target is busy")
		assert.ErrorContains(t, err, "busy: sleep (pid "+strconv.Itoa(worker.Process.Pid)+") works in "+dir)
		assert.NotEmpty(t, mounted(t, dir), "a busy filesystem stays")
	})
}

func TestUseBy(t *testing.T) {
	dir := t.TempDir()
	process := "/proc/" + strconv.Itoa(os.Getpid())
	assert.Empty(t, useBy(process, dir))
	file, err := os.Create(filepath.Join(dir, "open"))
	require.NoError(t, err)
	assert.Equal(t, "has "+file.Name()+" open", useBy(process, dir))
	require.NoError(t, file.Truncate(4096))
	kept, err := unix.Mmap(int(file.Fd()), 0, 4096, unix.PROT_READ, unix.MAP_SHARED)
	require.NoError(t, err)
	require.NoError(t, file.Close())
	assert.Equal(t, "runs or maps "+file.Name(), useBy(process, dir))
	require.NoError(t, unix.Munmap(kept))
	assert.Empty(t, useBy(process, dir))
	assert.Empty(t, useBy("/proc/0", dir), "a process that has ended")
}

func TestBelow(t *testing.T) {
	assert.True(t, below("/srv/shelf", "/srv/shelf"))
	assert.True(t, below("/srv/shelf/a", "/srv/shelf/"))
	assert.True(t, below("/srv", "/"))
	assert.False(t, below("/srv/shelf2", "/srv/shelf"))
	assert.False(t, below("", "/srv/shelf"))
}

// TestPrograms stands in for mount and umount, to see how they are called and
// how their ends are told.
func TestPrograms(t *testing.T) {
	bin := t.TempDir()
	t.Setenv("PATH", bin+":"+os.Getenv("PATH"))
	program := func(name, script string) {
		require.NoError(t, os.WriteFile(filepath.Join(bin, name), []byte("#!/bin/sh\n"+script), 0o777))
	}
	said := filepath.Join(bin, "said")
	program("mount", `for a; do echo "[$a]"; done > `+said+`; echo "$LC_ALL" >> `+said+"\n")
	require.NoError(t, Programs{}.Mount(t.Context(), "/dev/x; rm y", "xfs", "/srv/a b", []string{"noatime", "ro"}))
	content, err := os.ReadFile(said)
	require.NoError(t, err)
	assert.Equal(t, "[-t]\n[xfs]\n[-o]\n[noatime,ro]\n[--]\n[/dev/x; rm y]\n[/srv/a b]\nC\n", string(content))
	require.NoError(t, Programs{}.Mount(t.Context(), "/dev/x", "", "/srv", nil))
	content, err = os.ReadFile(said)
	require.NoError(t, err)
	assert.Equal(t, "[--]\n[/dev/x]\n[/srv]\nC\n", string(content))

	program("mount", "echo 'mount: wrong fs type,' >&2\necho '  bad option.' >&2\nexit 32\n")
	assert.EqualError(t, Programs{}.Mount(t.Context(), "/dev/x", "xfs", "/srv", nil), "mount /dev/x at /srv: mount: wrong fs type, bad option.")
	program("mount", "exit 32\n")
	assert.EqualError(t, Programs{}.Mount(t.Context(), "/dev/x", "xfs", "/srv", nil), "mount /dev/x at /srv: mount: exit status 32")

	begun := filepath.Join(bin, "begun")
	require.NoError(t, unix.Mkfifo(begun, 0o666))
	program("umount", "echo > "+begun+"; exec sleep 600\n")
	ctx, cancel := context.WithCancel(t.Context())
	go func() {
		_, _ = os.ReadFile(begun) // returns once the program has begun
		cancel()
	}()
	err = Programs{}.Unmount(ctx, "/srv")
	assert.ErrorIs(t, err, context.Canceled)
	assert.ErrorContains(t, err, "its outcome is not known")
	err = Programs{}.Unmount(ctx, "/srv")
	assert.ErrorContains(t, err, "was not begun")
}
