package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"lendkeep/testdata/outside"
)

// small mounts a filesystem of so many bytes that this test alone sees, together
// with the programs that it starts.
func small(t *testing.T, bytes string) string {
	folder := t.TempDir()
	runtime.LockOSThread() // for good: the thread ends with the test
	if err := unix.Unshare(unix.CLONE_NEWNS | unix.CLONE_FS); err != nil {
		outside.Missing(t, "a mount namespace of its own: "+err.Error())
	}
	require.NoError(t, unix.Mount("", "/", "", unix.MS_REC|unix.MS_PRIVATE, ""))
	require.NoError(t, unix.Mount("tmpfs", folder, "tmpfs", 0, "mode=700,size="+bytes))
	t.Cleanup(func() { _ = unix.Unmount(folder, unix.MNT_DETACH) }) // the namespace ends with the thread
	return folder
}

// A disk that fills up at whatever moment: what lendkeep says of the host is so,
// and once there is room again everything can be undone.
func TestFullDisk(t *testing.T) {
	program, err := exec.LookPath("lendkeep") // this test binary, under its own name
	require.NoError(t, err)
	folder := small(t, "8m")
	lendkeep := func(arguments ...string) (string, int) {
		c := exec.Command(program, append(arguments, "--stand-in", folder)...)
		out, err := c.CombinedOutput()
		if _, ended := err.(*exec.ExitError); !ended {
			require.NoError(t, err)
		}
		return string(out), c.ProcessState.ExitCode()
	}
	elsewhere := t.TempDir()
	see := func(name string) string {
		out, code := lendkeep("survey", "-o", filepath.Join(elsewhere, name))
		require.Zero(t, code, out)
		content, err := os.ReadFile(filepath.Join(elsewhere, name))
		require.NoError(t, err)
		return string(content)
	}
	must(t, "survey", "--root", "../../testdata/hosts/larch.txtar", "-o", filepath.Join(elsewhere, "first.json"))
	survey, err := os.ReadFile(filepath.Join(elsewhere, "first.json"))
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(filepath.Join(folder, "survey.json"), survey, 0o600))
	before := see("before.json")
	day := filepath.Join(elsewhere, "day.order")
	out, code := lendkeep("plan", "../../examples/larch", "--shift", "day", "-o", day)
	require.Zero(t, code, out)
	_, rest, _ := strings.Cut(out, "Approval code: ")
	approval := strings.Fields(rest)[0]

	ends := map[int]int{}
	for room := int64(0); ; room += 20 << 10 {
		require.Less(t, room, int64(4<<20), "it never had room enough: %v", ends)
		filled := fill(t, folder, room)
		out, code := lendkeep("apply", day, "--approve", approval)
		ends[code]++
		switch code {
		case exitDone:
			assert.NotEqual(t, before, see("after.json"), "with room for %d bytes", room)
		case exitUsage, exitRolledBack:
			assert.Equal(t, before, see("after.json"), "with room for %d bytes: %s", room, out)
			if code == exitUsage { // then there is nothing to undo, and nobody is told to
				assert.NotContains(t, out, "rollback", "with room for %d bytes", room)
			}
		case exitPerson: // who is told so, and not that all is well
		default:
			t.Fatalf("apply ended with %d: %s", code, out)
		}
		require.NoError(t, os.Remove(filled))
		if undone, code := lendkeep("rollback"); code != exitDone {
			require.Regexp(t, "no order was carried out|rolled back already", undone)
		}
		require.Equal(t, before, see("after.json"), "with room for %d bytes, then rolled back: %s", room, out)
		for _, name := range []string{"host.json", "journals"} {
			require.NoError(t, os.RemoveAll(filepath.Join(folder, name)))
		}
		if code == exitDone {
			break
		}
	}
	assert.Greater(t, ends[exitPerson]+ends[exitRolledBack]+ends[exitUsage], 5, "%v", ends)
	assert.Positive(t, ends[exitRolledBack], "%v", ends)
}

// fill leaves room for so many bytes in a filesystem, with a file that it gives.
func fill(t *testing.T, folder string, room int64) string {
	var stat unix.Statfs_t
	require.NoError(t, unix.Statfs(folder, &stat))
	name := filepath.Join(folder, "filler")
	size := int64(stat.Bavail)*stat.Bsize - room
	require.Positive(t, size)
	require.NoError(t, os.WriteFile(name, make([]byte, size), 0o600))
	return name
}
