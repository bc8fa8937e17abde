package alarm

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func script(t *testing.T, text string) string {
	name := filepath.Join(t.TempDir(), "tell-me")
	require.NoError(t, os.WriteFile(name, []byte("#!/bin/sh\n"+text), 0o755))
	return name
}

func TestTell(t *testing.T) {
	into := filepath.Join(t.TempDir(), "told")
	c := Command{script(t, `cat > "$1"`+"\n"+`echo "$2" >> "$1"`), into, "$HOME; two words"}
	require.NoError(t, c.Tell(t.Context(), []byte(`{"kind":"alarm"}`)))
	told, err := os.ReadFile(into)
	require.NoError(t, err)
	assert.Equal(t, "{\"kind\":\"alarm\"}\n$HOME; two words\n", string(told), "no shell reads the arguments")
	require.NoError(t, Command(nil).Tell(t.Context(), nil))
}

func TestTellFails(t *testing.T) {
	err := Command{script(t, "echo no mail here >&2; exit 3")}.Tell(t.Context(), []byte("{}"))
	require.ErrorContains(t, err, "exit status 3: no mail here")
	err = Command{script(t, "yes | head -c 100000; exit 1")}.Tell(t.Context(), []byte("{}"))
	require.Error(t, err)
	assert.Less(t, len(err.Error()), 1000)
	require.Error(t, Command{filepath.Join(t.TempDir(), "absent")}.Tell(t.Context(), nil))
	require.NoError(t, Command{script(t, "exit 0")}.Tell(t.Context(), []byte(strings.Repeat("x", 1<<20))), "it need not read what it is told")
}

// What hangs is ended together with what it has started.
func TestTellThatHangs(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	pid := filepath.Join(t.TempDir(), "pid")
	c := Command{script(t, "sleep 1000 &\necho $! > "+pid+".new; mv "+pid+".new "+pid+"; wait")}
	ended := make(chan error, 1)
	go func() { ended <- c.Tell(ctx, nil) }()
	soon(t, func() bool { _, err := os.Stat(pid); return err == nil })
	cancel()
	require.Error(t, <-ended)
	soon(t, func() bool { return hasEnded(t, pid) })
}

// What a command leaves running ends with it, at the latest after Within; it is not
// waited for.
func TestTellThatLeavesSomething(t *testing.T) {
	pid := filepath.Join(t.TempDir(), "pid")
	require.NoError(t, Command{script(t, "sleep 1000 &\necho $! > "+pid)}.Tell(t.Context(), nil))
	soon(t, func() bool { return hasEnded(t, pid) })
}

// hasEnded tells of the process whose number a file holds; for a moment it is a
// zombie, where nobody reaps quickly.
func hasEnded(t *testing.T, file string) bool {
	child, err := os.ReadFile(file)
	if !assert.NoError(t, err) {
		return false
	}
	stat, err := os.ReadFile("/proc/" + strings.TrimSpace(string(child)) + "/stat")
	return err != nil || strings.Contains(string(stat), ") Z ")
}

// soon waits for what a busy machine may take some time for.
func soon(t *testing.T, is func() bool) {
	t.Helper()
	require.Eventually(t, is, time.Minute, time.Millisecond)
}

// Only in the control group of the watch's own service are others ended.
func TestServiceIn(t *testing.T) {
	for content, want := range map[string]string{
		"0::/system.slice/lendkeep-watch.service\n":     "/sys/fs/cgroup/system.slice/lendkeep-watch.service",
		"0::/system.slice/other.service\n":              "",
		"0::/user.slice/user-0.slice/session-1.scope\n": "",
		"0::/\n": "",
		"":       "",
		"12:pids:/system.slice/lendkeep-watch.service\n0::/system.slice/lendkeep-watch.service\n": "",
		"0::/system.slice/lendkeep-watch.service/inner\n":                                         "",
	} {
		assert.Equal(t, want, serviceIn(content), content)
	}
}

// A process that has left the command's session is ended as well, by the list that
// systemd's control group gives.
func TestEndService(t *testing.T) {
	folder := t.TempDir()
	left := exec.Command("sleep", "1000")
	left.SysProcAttr = &syscall.SysProcAttr{Setsid: true}
	require.NoError(t, left.Start())
	require.NoError(t, os.WriteFile(filepath.Join(folder, "cgroup.procs"), []byte(fmt.Sprintf("%d\n%d\nx\n0\n-1\n1\n", os.Getpid(), left.Process.Pid)), 0o600))
	endService(folder)
	err := left.Wait()
	require.ErrorContains(t, err, "killed")
	endService("")
	endService(filepath.Join(folder, "absent"))
}
