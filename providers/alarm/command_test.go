package alarm

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"

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
	ended := make(chan error)
	go func() { ended <- c.Tell(ctx, nil) }()
	var child []byte
	for len(child) == 0 {
		child, _ = os.ReadFile(pid)
	}
	cancel()
	require.Error(t, <-ended)
	for { // a zombie for a moment, where nobody reaps quickly
		stat, err := os.ReadFile("/proc/" + strings.TrimSpace(string(child)) + "/stat")
		if err != nil || strings.Contains(string(stat), ") Z ") {
			break
		}
	}
}
