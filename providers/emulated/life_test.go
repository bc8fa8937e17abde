package emulated

import (
	"context"
	"errors"
	"net"
	"net/rpc"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/emulated/wire"
)

// standIn answers as the agent does; a command never ends by itself.
type standIn struct{ killed chan wire.Signal }

func (s *standIn) Ready(_ wire.None, up *float64) error        { *up = 1; return nil }
func (s *standIn) Begin(_ wire.Command, number *int) error     { *number = 7; return nil }
func (s *standIn) Await(_ int, _ *wire.Result) error           { select {} }
func (s *standIn) Read(_ wire.Span, _ *[]byte) error           { return errors.New("no such file") }
func (s *standIn) Signal(sent wire.Signal, _ *wire.None) error { s.killed <- sent; return nil }

// standingIn is a host with a sleeping program for QEMU and a stand-in inside.
func standingIn(t *testing.T) (*Host, *standIn) {
	t.Helper()
	h := &Host{folder: t.TempDir(), leave: func() error { return nil }}
	listener, err := net.Listen("unix", filepath.Join(h.folder, "agent"))
	require.NoError(t, err)
	t.Cleanup(func() { listener.Close() })
	inside := &standIn{killed: make(chan wire.Signal, 1)}
	server := rpc.NewServer()
	require.NoError(t, server.RegisterName(wire.Service, inside))
	go func() {
		if conn, err := listener.Accept(); err == nil {
			server.ServeConn(conn)
		}
	}()
	qemu, err := startEmulator("sleep", []string{"1000"})
	require.NoError(t, err)
	l, err := connect(t.Context(), qemu, h.socket())
	require.NoError(t, err)
	h.up.Store(l)
	t.Cleanup(func() { assert.NoError(t, h.Close()) })
	return h, inside
}

func TestCutEndsWhatWaits(t *testing.T) {
	h, _ := standingIn(t)
	assert.True(t, h.On())
	program, err := h.Begin(t.Context(), Command{Argv: []string{"lendkeep", "apply"}})
	require.NoError(t, err)
	ended := make(chan error)
	go func() {
		_, err := program.Await(t.Context())
		ended <- err
	}()
	require.NoError(t, h.PowerCut())
	assert.ErrorContains(t, <-ended, "lendkeep apply")
	assert.False(t, h.On())
	_, err = h.Run(t.Context(), "true")
	assert.ErrorIs(t, err, errOff)
	assert.Error(t, program.Signal(t.Context(), 9), "it died with its power")
	assert.NoError(t, h.PowerCut(), "a second cut finds nothing to do")
}

func TestTimeUpKillsTheCommand(t *testing.T) {
	h, inside := standingIn(t)
	ctx, cancel := context.WithTimeout(t.Context(), 50*time.Millisecond)
	defer cancel()
	_, err := h.Run(ctx, "sleep", "1000")
	assert.ErrorIs(t, err, context.DeadlineExceeded)
	assert.Equal(t, wire.Signal{Command: 7, Number: 9}, <-inside.killed)
}

func TestAnswerOfTheAgentIsPassedOn(t *testing.T) {
	h, _ := standingIn(t)
	_, err := h.ReadFile(t.Context(), "/etc/shadow")
	assert.EqualError(t, err, "read /etc/shadow in the host: no such file")
}

func TestQEMUThatEndsSaysWhy(t *testing.T) {
	qemu, err := startEmulator("sh", []string{"-c", "echo no such device >&2; exit 1"})
	require.NoError(t, err)
	_, err = connect(t.Context(), qemu, filepath.Join(t.TempDir(), "agent"))
	assert.ErrorContains(t, err, "no such device")
	_, err = startEmulator("/no/such/qemu", nil)
	assert.Error(t, err)
}

func TestLastLines(t *testing.T) {
	assert.Equal(t, "b\nc", lastLines("a\nb\nc\n", 2))
	assert.Equal(t, "a", lastLines("a", 2))
}
