package outside

import (
	"os"
	"runtime"
	"testing"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
)

// Namespace runs a test in a mount namespace of its own, so that nothing of
// it is seen by, or left to, the rest of the machine. Programs that the test
// starts are in it too, since they start from its thread.
func Namespace(t *testing.T, test func(t *testing.T, dir string)) {
	if os.Geteuid() != 0 {
		Missing(t, "mounting takes root")
	}
	dir := t.TempDir()
	runtime.LockOSThread() // never unlocked: the thread ends with the goroutine
	if err := unix.Unshare(unix.CLONE_NEWNS | unix.CLONE_FS); err != nil {
		Missing(t, "no mount namespace of its own is allowed: "+err.Error())
	}
	require.NoError(t, unix.Mount("", "/", "", unix.MS_REC|unix.MS_PRIVATE, ""))
	if err := unix.Mount("probe", dir, "tmpfs", 0, ""); err != nil {
		Missing(t, "no mount is allowed: "+err.Error())
	}
	require.NoError(t, unix.Unmount(dir, 0))
	test(t, dir)
}
