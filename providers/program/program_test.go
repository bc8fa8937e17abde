package program

import (
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
)

func script(text string) *exec.Cmd { return exec.Command("sh", "-c", text) }

func TestRun(t *testing.T) {
	t.Setenv("LANG", "de_DE.UTF-8")
	for text, want := range map[string]struct {
		said Said
		err  string
	}{
		"echo out; echo no >&2; exit 0":      {Said{[]byte("out\n"), []byte("no\n"), 0}, ""},
		"echo 'no such\n thing' >&2; exit 3": {Said{nil, []byte("no such\n thing\n"), 3}, "exit status 3: no such thing"},
		"exit 3":                             {Said{nil, nil, 3}, "exit status 3"},
		"kill -9 $$":                         {Said{nil, nil, -1}, "signal: killed"},
		"echo $LANG$LC_ALL; cat":             {Said{[]byte("C\n"), nil, 0}, ""},
	} {
		said, err := Run(t.Context(), script(text))
		assert.Equal(t, want.said, said, text)
		if want.err == "" {
			assert.NoError(t, err, text)
			continue
		}
		assert.EqualError(t, err, want.err, text)
	}
	_, err := Run(t.Context(), exec.Command("/absent"))
	assert.ErrorIs(t, err, os.ErrNotExist)
	over, cancel := context.WithCancel(t.Context())
	cancel()
	_, err = Run(over, script("exit 0"))
	assert.ErrorIs(t, err, context.Canceled)
	assert.ErrorContains(t, err, "was not begun")
}

// What a program says is bounded, and it may say as much as it likes.
func TestOutputIsBounded(t *testing.T) {
	said, err := Run(t.Context(), script("head -c 1000000 /dev/zero | tr '\\0' x; exit 1"))
	assert.Len(t, said.Out, MostSaid+1)
	assert.Less(t, len(err.Error()), 2*mostWords)
	said, err = Run(t.Context(), script("head -c 70000 /dev/zero >&2; echo x > /dev/stdout"))
	require.NoError(t, err)
	assert.Len(t, said.Complaint, MostSaid+1)
	assert.Equal(t, "x\n", string(said.Out))
}

// What a program says is whole once it has ended, and that is not waited for,
// whoever else has its output open: a process that is started at the same moment
// does for an instant.
func TestOutputOfAnEndedProgram(t *testing.T) {
	pid := filepath.Join(t.TempDir(), "pid")
	said, err := Run(t.Context(), script("sleep 600 & echo $! > "+pid+"; head -c 60000 /dev/zero; echo last"))
	require.NoError(t, err)
	assert.Len(t, said.Out, 60005)
	number, err := os.ReadFile(pid)
	require.NoError(t, err)
	require.NoError(t, exec.Command("kill", strings.TrimSpace(string(number))).Run())

	late, err := listen()
	require.NoError(t, err)
	defer late.close()
	_, err = late.to.WriteString("nobody has read it yet")
	require.NoError(t, err)
	close(late.read)
	assert.Equal(t, "nobody has read it yet", string(late.end()))
}

// What a command has left in its session ends with it.
func TestRunAlone(t *testing.T) {
	pid := filepath.Join(t.TempDir(), "pid")
	also := false
	command := script("sleep 600 & echo $! > " + pid + "; cat; exit 3")
	command.Stdin = strings.NewReader("asked")
	said, err := RunAlone(t.Context(), command, func() {
		also = true
		assert.NoError(t, unix.Kill(command.Process.Pid, 0), "its number is still its own")
	})
	require.EqualError(t, err, "exit status 3: asked")
	assert.Equal(t, 3, said.Code)
	assert.True(t, also)
	hasEnded(t, pid)
}

// A program that heeds no signal is ended with what it has started; what has left
// its group and keeps its output open is not waited for either.
func TestProgramThatDoesNotEnd(t *testing.T) {
	for name, text := range map[string]string{
		"it heeds no signal":        "trap '' TERM INT HUP; echo $$ > PID; echo > BEGUN; while :; do sleep 600; done",
		"a child heeds no signal":   "(trap '' TERM INT HUP; while :; do sleep 600; done) & echo $! > PID; echo > BEGUN; wait",
		"a child in its own world":  "setsid sleep 5 & echo $$ > PID; echo > BEGUN; wait",
		"its output is never ended": "yes & echo $! > PID; echo > BEGUN; wait",
	} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			begun, pid := filepath.Join(dir, "begun"), filepath.Join(dir, "pid")
			require.NoError(t, unix.Mkfifo(begun, 0o666))
			ctx, cancel := context.WithCancel(t.Context())
			go func() {
				_, _ = os.ReadFile(begun) // returns once the program has begun
				cancel()
			}()
			said, err := Run(ctx, script(strings.NewReplacer("PID", pid, "BEGUN", begun).Replace(text)))
			require.ErrorContains(t, err, "its outcome is not known")
			assert.ErrorIs(t, err, context.Canceled)
			assert.Equal(t, Said{}, said)
			hasEnded(t, pid)
		})
	}
}

// hasEnded waits for the end of the process whose number a file holds; for a moment
// it is a zombie, where nobody reaps quickly.
func hasEnded(t *testing.T, file string) {
	t.Helper()
	number, err := os.ReadFile(file)
	require.NoError(t, err)
	require.Eventually(t, func() bool {
		stat, err := os.ReadFile("/proc/" + strings.TrimSpace(string(number)) + "/stat")
		return err != nil || strings.Contains(string(stat), ") Z ")
	}, time.Minute, time.Millisecond)
}
