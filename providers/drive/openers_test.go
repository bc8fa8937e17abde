package drive

import (
	"os"
	"strconv"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"lendkeep/reconcile/facts"
)

// A block device node of a number that no driver has can be made and looked at,
// though not opened otherwise than by its path alone.
func TestOpeners(t *testing.T) {
	node := "/dev/lendkeep-test-" + strconv.Itoa(os.Getpid())
	inNamespace(t, func(t *testing.T, dir string) {
		require.NoError(t, unix.Mount("dev", "/dev", "tmpfs", 0, "")) // of this namespace only
		require.NoError(t, unix.Mknod(node, unix.S_IFBLK|0o600, int(unix.Mkdev(4094, 7))))
		fd, err := unix.Open(node, unix.O_PATH, 0)
		require.NoError(t, err)
		defer unix.Close(fd)
		wanted := []facts.Devno{{Major: 4094, Minor: 7}}
		link := "/proc/self/fd/" + strconv.Itoa(fd)
		assert.Equal(t, node, deviceOpen(link, wanted))
		assert.Empty(t, deviceOpen(link, []facts.Devno{{Major: 4094, Minor: 8}}))
		assert.Empty(t, deviceOpen("/proc/self/fd/none", wanted))
		found := Openers(wanted)
		require.Len(t, found, 1)
		assert.Contains(t, found[0], "(pid "+strconv.Itoa(os.Getpid())+") has "+node+" open")
		assert.Empty(t, Openers(nil))
	})
}
