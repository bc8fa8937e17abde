package emulated

import (
	"bufio"
	"bytes"
	"context"
	"net"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// What is typed reaches the shell, what that says is shown, and the end of either it
// or the asker's patience is the end.
func TestAttach(t *testing.T) {
	h := &Host{terminal: filepath.Join(t.TempDir(), "terminal")}
	assert.Error(t, h.Attach(t.Context(), strings.NewReader(""), new(bytes.Buffer)), "nobody is there")
	listener, err := net.Listen("unix", h.terminal)
	require.NoError(t, err)
	t.Cleanup(func() { listener.Close() })
	go func() {
		for range 2 {
			conn, err := listener.Accept()
			if err != nil {
				return
			}
			for lines := bufio.NewScanner(conn); lines.Scan(); {
				if lines.Text() == "exit" {
					_, _ = conn.Write([]byte("bye")) // read by the other side, or not: it is tested there
					conn.Close()
				}
			}
		}
	}()
	var out bytes.Buffer
	require.NoError(t, h.Attach(t.Context(), strings.NewReader("exit\n"), &out))
	assert.Equal(t, "bye", out.String())

	ended, cancel := context.WithCancel(t.Context())
	left := make(chan error)
	go func() { left <- h.Attach(ended, strings.NewReader(""), new(bytes.Buffer)) }()
	cancel()
	assert.ErrorIs(t, <-left, context.Canceled)
}
