package holding

import (
	"net"
	"os"
	"strconv"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/facts"
)

// The kernel's own list of connections says which way a process's ones come.
func TestConnectionsOfThisProcess(t *testing.T) {
	listening, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	t.Cleanup(func() { _ = listening.Close() })
	out, err := net.Dial("tcp", listening.Addr().String())
	require.NoError(t, err)
	t.Cleanup(func() { _ = out.Close() })
	own := process{strconv.Itoa(os.Getpid())}
	sockets, err := socketsOf(own)
	require.NoError(t, err)
	found, err := connections("/proc/net/tcp", sockets)
	require.NoError(t, err)
	assert.Contains(t, found, facts.Session{Address: "127.0.0.1", Who: own.title()})
}

func TestOwnSession(t *testing.T) {
	for text, want := range map[string][]facts.Session{
		"198.51.100.4 50022 192.0.2.7 22":        {{Address: "192.0.2.7", Who: "the one of this call"}},
		"fe80::1%eth0 50022 fe80::2%eth0 22":     {{Address: "fe80::2%eth0", Who: "the one of this call"}},
		"":                                       nil,
		"198.51.100.4 50022 192.0.2.7 22 and so": nil,
	} {
		found, err := sessions(text, nil)
		require.NoError(t, err)
		assert.Equal(t, want, found, text)
	}
}

// As Linux prints them (Documentation/networking/proc_net_tcp.rst), on a machine
// whose lowest byte comes first.
func TestEndpoint(t *testing.T) {
	for text, want := range map[string]string{
		"070200C0:0016":                         "192.0.2.7",
		"0000000000000000FFFF0000070200C0:0016": "192.0.2.7",
		"B80D0120000000000000000002000000:0016": "2001:db8::2",
		"xx:0016":                               "xx:0016",
		"0702:0016":                             "0702:0016",
	} {
		assert.Equal(t, want, endpoint(text))
	}
}
