package main

import (
	"net"
	"net/rpc"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/emulated/wire"
)

// connect serves a Host on a pipe, as the agent does on its port.
func connect(t *testing.T) *rpc.Client {
	t.Helper()
	outside, inside := net.Pipe()
	server := rpc.NewServer()
	require.NoError(t, server.RegisterName(wire.Service, &Host{commands: map[int]*running{}}))
	go server.ServeConn(inside)
	client := rpc.NewClient(outside)
	t.Cleanup(func() { client.Close() })
	return client
}

func begin(t *testing.T, client *rpc.Client, command wire.Command) int {
	t.Helper()
	var number int
	require.NoError(t, client.Call(wire.Service+".Begin", command, &number))
	return number
}

func outcome(t *testing.T, client *rpc.Client, number int) wire.Result {
	t.Helper()
	var result wire.Result
	require.NoError(t, client.Call(wire.Service+".Await", number, &result))
	return result
}

func TestCommand(t *testing.T) {
	client := connect(t)
	number := begin(t, client, wire.Command{
		Argv: []string{"sh", "-c", "cat; echo $WORD; pwd; echo wrong >&2; exit 3"}, Env: []string{"WORD=hello"}, Stdin: []byte("in\n"),
	})
	assert.Equal(t, wire.Result{Exit: 3, Stdout: []byte("in\nhello\n/\n"), Stderr: []byte("wrong\n")}, outcome(t, client, number))

	var result wire.Result
	err := client.Call(wire.Service+".Await", number, &result)
	assert.ErrorContains(t, err, "none has number", "its result is given once")
	assert.Error(t, client.Call(wire.Service+".Begin", wire.Command{Argv: []string{"/no/such/program"}}, &number))
	assert.Error(t, client.Call(wire.Service+".Begin", wire.Command{}, &number))
}

func TestSignalReachesAllThatACommandStarted(t *testing.T) {
	client := connect(t)
	// The shell's child holds the output open: it would be waited for if it
	// lived on.
	number := begin(t, client, wire.Command{Argv: []string{"sh", "-c", "sleep 1000 & echo started; wait"}})
	require.NoError(t, client.Call(wire.Service+".Signal", wire.Signal{Command: number, Number: int(syscall.SIGKILL)}, new(wire.None)))
	result := outcome(t, client, number)
	assert.Equal(t, 128+int(syscall.SIGKILL), result.Exit)
	assert.Error(t, client.Call(wire.Service+".Signal", wire.Signal{Command: number}, new(wire.None)))
}

func TestCommandsRunBesideEachOther(t *testing.T) {
	client := connect(t)
	fifo := filepath.Join(t.TempDir(), "fifo")
	require.NoError(t, syscall.Mkfifo(fifo, 0o600))
	// Each end of a fifo blocks until the other is opened.
	reader := begin(t, client, wire.Command{Argv: []string{"cat", fifo}})
	writer := begin(t, client, wire.Command{Argv: []string{"sh", "-c", "echo met > " + fifo}})
	assert.Equal(t, "met\n", string(outcome(t, client, reader).Stdout))
	assert.Zero(t, outcome(t, client, writer).Exit)
}

func TestOutputLeftOpenDoesNotHoldACommand(t *testing.T) {
	client := connect(t)
	number := begin(t, client, wire.Command{Argv: []string{"sh", "-c", "sleep 1000 & echo $!"}})
	result := outcome(t, client, number)
	assert.Zero(t, result.Exit)
	left := strings.TrimSpace(string(result.Stdout))
	outcome(t, client, begin(t, client, wire.Command{Argv: []string{"kill", left}}))
}

func TestFiles(t *testing.T) {
	client := connect(t)
	name := filepath.Join(t.TempDir(), "file")
	for _, piece := range []wire.Piece{
		{Name: name, Content: []byte("an older and longer content"), Mode: 0o600},
		{Name: name, Content: []byte("first "), Mode: 0o755},
		{Name: name, Offset: 6, Content: []byte("second"), Mode: 0o755},
	} {
		require.NoError(t, client.Call(wire.Service+".Write", piece, new(wire.None)))
	}
	content, err := os.ReadFile(name)
	require.NoError(t, err)
	assert.Equal(t, "first second", string(content))
	stat, err := os.Stat(name)
	require.NoError(t, err)
	assert.Equal(t, os.FileMode(0o755), stat.Mode())

	var part []byte
	require.NoError(t, client.Call(wire.Service+".Read", wire.Span{Name: name, Offset: 6, Length: 3}, &part))
	assert.Equal(t, "sec", string(part))
	var kernel []byte
	require.NoError(t, client.Call(wire.Service+".Read", wire.Span{Name: "/proc/version", Length: wire.PieceBytes}, &kernel))
	assert.Contains(t, string(kernel), "Linux", "files of /proc have no size")
	assert.ErrorContains(t, client.Call(wire.Service+".Read", wire.Span{Name: name + "x", Length: 1}, &part), "no such file")
}
