package agent

import (
	"bufio"
	"context"
	"crypto/rand"
	"errors"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/boots"
	"lendkeep/reconcile/facts"
	"lendkeep/testdata/outside"
)

// socket is the agent itself, in this system, by a socket in libvirt's place.
type socket struct {
	conn net.Conn
	from *bufio.Reader
}

func (s socket) AskAgent(_ context.Context, _, command string, within time.Duration) (string, error) {
	if err := s.conn.SetDeadline(time.Now().Add(within)); err != nil {
		return "", err
	}
	if _, err := s.conn.Write([]byte(command + "\n")); err != nil {
		return "", err
	}
	return s.from.ReadString('\n')
}

// realAgent starts QEMU's own agent; blocked are commands it may not do.
func realAgent(t *testing.T, blocked string) Channel {
	program, err := exec.LookPath("qemu-ga")
	if err != nil {
		outside.Missing(t, "qemu-ga is not installed (Debian package qemu-guest-agent)")
	}
	folder := t.TempDir()
	path := filepath.Join(folder, "agent")
	arguments := []string{"-m", "unix-listen", "-p", path, "-t", folder, "-f", filepath.Join(folder, "pid")}
	if blocked != "" {
		arguments = append(arguments, "-b", blocked)
	}
	command := exec.Command(program, arguments...)
	require.NoError(t, command.Start())
	t.Cleanup(func() {
		_ = command.Process.Kill()
		_ = command.Wait()
	})
	var conn net.Conn
	require.Eventually(t, func() bool {
		conn, err = net.Dial("unix", path)
		return err == nil
	}, 30*time.Second, 10*time.Millisecond)
	t.Cleanup(func() { conn.Close() })
	return socket{conn, bufio.NewReader(conn)}
}

// QEMU's agent and this package mean the same.
func TestRealAgent(t *testing.T) {
	g, err := Meet(t.Context(), realAgent(t, ""), "grading")
	require.NoError(t, err)
	assert.Equal(t, Linux, g.System.Kind)
	assert.NotEmpty(t, g.System.Kernel)
	_, err = g.System.Build()
	assert.NoError(t, err)
	parents, err := g.Parents(t.Context())
	require.NoError(t, err)
	assert.Contains(t, parents, "/tmp")

	r, err := g.Room(t.Context(), t.TempDir())
	require.NoError(t, err)
	stat, err := os.Stat(r.Path)
	require.NoError(t, err)
	assert.Equal(t, os.FileMode(0o700)|os.ModeDir, stat.Mode())

	script := []byte("#!/bin/sh\necho said; echo complained >&2; sleep 0.2; exit $1\n")
	require.NoError(t, r.Put(t.Context(), "p", script, func(int, int) {}))
	ended, err := g.Run(t.Context(), r.Join("p"), "0")
	require.NoError(t, err)
	assert.Equal(t, "said\n", string(ended.Out))
	assert.Equal(t, "complained\n", string(ended.Err))
	_, err = g.Run(t.Context(), r.Join("p"), "4")
	assert.ErrorContains(t, err, "it ended with code 4: complained said")
	_, err = g.Run(t.Context(), r.Join("absent"))
	assert.ErrorContains(t, err, "No such file")
	_, err = g.Run(t.Context(), "true")
	assert.NoError(t, err)

	big := make([]byte, 3*pieceBytes+17)
	_, _ = rand.Read(big)
	require.NoError(t, r.Put(t.Context(), "big", big, func(int, int) {}))
	_, err = g.Fetch(t.Context(), r.Join("big"), len(big)-1, func(int) {})
	assert.ErrorContains(t, err, "more than the")
	_, err = g.Fetch(t.Context(), r.Join("absent"), 10, func(int) {})
	assert.ErrorContains(t, err, "No such file")

	p, err := g.Start(t.Context(), "sleep", "600")
	require.NoError(t, err)
	ended2, err := p.Look(t.Context())
	require.NoError(t, err)
	assert.Nil(t, ended2)
	require.NoError(t, p.End(t.Context()))
	_, err = p.Look(t.Context())
	assert.ErrorContains(t, err, "pid", "the agent forgets what it has told the end of")

	require.NoError(t, r.Remove(t.Context()))
	assert.NoDirExists(t, r.Path)
}

func TestRealAgentThatMayNot(t *testing.T) {
	g, err := Meet(t.Context(), realAgent(t, "guest-exec,guest-file-open"), "grading")
	require.NoError(t, err)
	_, err = g.Parents(t.Context())
	var blocked Blocked
	require.True(t, errors.As(err, &blocked))
	assert.Equal(t, "guest-exec guest-file-open", strings.Join(blocked.Commands, " "))
}

// What the agent of this very system says of its fstab and its kernel is what stands
// there; where a program is missing, or no loader is known, it is not known, and why.
func TestRealAgentIsAskedForItsSystem(t *testing.T) {
	i := Installed(t.Context(), realAgent(t, ""), "grading")
	require.Empty(t, i.Gap)
	assert.Equal(t, "linux", i.Kind)
	require.Len(t, i.Answers, 3)
	for _, a := range i.Answers {
		assert.NotEmpty(t, a.Seen, a.Question)
	}
	fstab, err := os.ReadFile("/etc/fstab")
	if errors.Is(err, os.ErrNotExist) {
		fstab, err = nil, nil
	}
	require.NoError(t, err)
	line, err := os.ReadFile("/proc/cmdline")
	require.NoError(t, err)
	alone := boots.Names(boots.File{Kind: boots.Fstab, Path: "/etc/fstab", Text: string(fstab)}, boots.File{Kind: boots.Line, Path: "/proc/cmdline", Text: string(line)})
	if alone.Says != facts.Present { // other files can only add to it
		assert.NotEqual(t, facts.Present, i.Answer(facts.AsksNames).Says)
	}

	i = Installed(t.Context(), realAgent(t, "guest-file-open,guest-exec"), "grading")
	assert.Contains(t, i.Gap, "may not do guest-file-open")
	assert.Empty(t, i.Answers)
}
