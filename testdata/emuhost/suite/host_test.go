package suite

import (
	"context"
	"fmt"
	"os"
	"path"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lendkeep/providers/emulated"
	"lendkeep/providers/emulated/machine"
)

// wanted is the environment variable that lets these tests run.
const wanted = "LENDKEEP_EMUHOST"

// start boots larch once, for whichever test asks first.
var start = sync.OnceValues(func() (*emulated.Host, error) {
	return emulated.Start(context.Background(), machine.Larch(), os.Stderr)
})

// started says whether start has been called, so that nothing is booted only
// to be closed.
var started bool

func TestMain(m *testing.M) {
	code := m.Run()
	if started {
		if host, err := start(); err == nil {
			if err := host.Close(); err != nil {
				fmt.Fprintln(os.Stderr, err)
				code = 1
			}
		}
	}
	os.Exit(code)
}

// host is larch as one test sees it.
type host struct {
	testing.TB
	emulated *emulated.Host
}

// Context lasts through a test's cleanups, which ask the host as well; the
// test's own is done by then.
func (h host) Context() context.Context { return context.WithoutCancel(h.TB.Context()) }

// onLarch gives larch, running with its cards where machine.Larch has them. A
// computer that cannot run it skips the test; one that should and fails, fails
// it, and so does a test that leaves the host otherwise than it found it. One
// that changes the machine boots larch again in the end.
func onLarch(t testing.TB) host {
	t.Helper()
	if os.Getenv(wanted) == "" {
		t.Skipf("boots a whole host: set %s=1 to run it", wanted)
	}
	if err := emulated.Missing(); err != nil {
		t.Skip(err)
	}
	started = true
	running, err := start()
	require.NoError(t, err)
	if !running.On() {
		require.NoError(t, running.PowerOn(t.Context(), machine.Larch()))
	}
	t.Cleanup(func() {
		if t.Failed() {
			t.Logf("console of the host:\n%s", running.Console())
		}
	})
	h := host{t, running}
	h.keptAsFound()
	return h
}

// run runs a command that must succeed and gives its output.
func (h host) run(argv ...string) string {
	h.Helper()
	result, err := h.emulated.Run(h.Context(), argv...)
	require.NoError(h, err)
	require.NoError(h, result.Err())
	return result.Stdout
}

// try runs a command that may fail.
func (h host) try(argv ...string) emulated.Result {
	h.Helper()
	result, err := h.emulated.Run(h.Context(), argv...)
	require.NoError(h, err)
	return result
}

// shell runs lines of bash that must all succeed.
func (h host) shell(script string) string {
	h.Helper()
	result, err := h.emulated.Shell(h.Context(), script)
	require.NoError(h, err)
	require.Zero(h, result.Exit, "%s\n%s%s", script, result.Stdout, result.Stderr)
	return result.Stdout
}

// until waits for something that the kernel or a guest does in its own time.
func (h host) until(within time.Duration, what string, holds func() bool) {
	h.Helper()
	for end := time.Now().Add(within); !holds(); time.Sleep(100 * time.Millisecond) {
		require.False(h, time.Now().After(end), "not after %s: %s", within, what)
	}
}

// controllers maps the serial of every NVMe drive the host sees to the
// address of its controller.
func (h host) controllers() map[string]string {
	h.Helper()
	return pairs(h.shell(`cd /sys/class/nvme && for c in *; do
		read serial < $c/serial; read address < $c/address; echo $serial $address; done`))
}

// namespace gives the block device that a drive has now, "" when it has none.
func (h host) namespace(serial string) string {
	h.Helper()
	return pairs(h.run("lsblk", "-dnro", "SERIAL,PATH"))[serial]
}

// driver gives the kernel's driver of an address, "" for none.
func (h host) driver(address string) string {
	h.Helper()
	link := h.try("readlink", "/sys/bus/pci/devices/"+address+"/driver")
	if link.Exit != 0 {
		return ""
	}
	return path.Base(strings.TrimSpace(link.Stdout))
}

// pairs reads lines of two words.
func pairs(lines string) map[string]string {
	found := map[string]string{}
	for line := range strings.Lines(lines) {
		if words := strings.Fields(line); len(words) == 2 {
			found[words[0]] = words[1]
		}
	}
	return found
}
