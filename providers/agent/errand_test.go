package agent

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// errand sends a script that leaves a file, and notes two lines.
func errand(script string) (Errand, *[]string) {
	var noted []string
	return Errand{
		Name: "p", Program: []byte("#!/bin/sh\n" + script + "\n"),
		Arguments: func(r *Room) []string { return []string{r.Join("result"), r.Join("notes")} },
		Leaves:    "result", Most: 64, Notes: "notes",
		Sent:  func(int, int) {},
		Noted: func(line string, _ int) { noted = append(noted, line) },
	}, &noted
}

// inFolder gives QEMU's own agent, which makes its rooms in folders of the test.
func inFolder(t *testing.T, folders ...string) *Guest {
	g, err := Meet(t.Context(), realAgent(t, ""), "grading")
	require.NoError(t, err)
	g.parents = folders
	return g
}

func empty(t *testing.T, folder string) {
	entries, err := os.ReadDir(folder)
	require.NoError(t, err)
	assert.Empty(t, entries, "something is left in the guest")
}

func TestErrand(t *testing.T) {
	folder := t.TempDir()
	g := inFolder(t, filepath.Join(folder, "absent"), folder)
	e, noted := errand(`echo first > "$2"; echo second >> "$2"; printf thi >> "$2"; sleep 1; echo fine > "$1"`)
	content, err := g.Do(t.Context(), e)
	require.NoError(t, err)
	assert.Equal(t, "fine\n", string(content))
	assert.Contains(t, *noted, "second")
	empty(t, folder)
}

func TestErrandThatFails(t *testing.T) {
	for name, c := range map[string]struct {
		script, says string
	}{
		"code":      {`echo "no room" >&2; exit 1`, "p in guest grading: it ended with code 1: no room"},
		"killed":    {`kill -9 $$`, "signal 9 ended it"},
		"no result": {`true`, "No such file"},
		"too long":  {`seq 100 > "$1"`, "it has more than the 64 bytes that are read"},
	} {
		t.Run(name, func(t *testing.T) {
			folder := t.TempDir()
			e, _ := errand(c.script)
			_, err := inFolder(t, folder).Do(t.Context(), e)
			assert.ErrorContains(t, err, c.says)
			empty(t, folder)
		})
	}
}

// Whoever gives up leaves nothing behind, and nothing that runs.
func TestErrandGivenUp(t *testing.T) {
	folder := t.TempDir()
	g := inFolder(t, folder)
	ctx, cancel := context.WithCancel(t.Context())
	e, _ := errand(`trap 'echo ended > ` + folder + `.ended; exit 1' TERM; echo first > "$2"; while true; do sleep 0.1; done`)
	e.Noted = func(string, int) { cancel() }
	_, err := g.Do(ctx, e)
	assert.ErrorIs(t, err, context.Canceled)
	assert.FileExists(t, folder+".ended")
	empty(t, folder)
	require.NoError(t, os.Remove(folder+".ended"))
}

// dying is an agent that is gone after so many commands.
type dying struct {
	*spoken
	after int
}

func (d *dying) AskAgent(ctx context.Context, guest, command string, within time.Duration) (string, error) {
	if d.after--; d.after < 0 {
		return "", errors.New("Requested operation is not valid: domain is not running")
	}
	return d.spoken.AskAgent(ctx, guest, command, within)
}

// Whenever a guest ends, that is said once, and what is left in it, if anything.
func TestErrandInAGuestThatEnds(t *testing.T) {
	whole := 0
	for after := 0; ; after++ {
		d := &dying{&spoken{}, after}
		g, err := Meet(t.Context(), d, "grading")
		if err == nil {
			e, _ := errand("true")
			e.Program = []byte("hello")
			_, err = g.Do(t.Context(), e)
		}
		if err == nil {
			whole = after
			break
		}
		assert.ErrorContains(t, err, "not running")
		made := strings.Contains(strings.Join(d.asked, "\n"), `"mkdir"`)
		removed := strings.Contains(strings.Join(d.asked, "\n"), `"rm"`)
		if made && !removed && errors.Is(err, ErrLeft) {
			assert.ErrorContains(t, err, "by hand")
		}
		assert.False(t, errors.Is(err, ErrLeft) && !made, "%d: nothing was made yet: %v", after, err)
	}
	assert.Greater(t, whole, 20)
}

// A start of which nobody knows whether it was one is not tried again elsewhere.
func TestErrandOfWhichNobodyKnows(t *testing.T) {
	g, s := met(t, map[string][]string{"guest-exec": {"good", "good", "mute", "good"}}) // mkdir, chmod, the program, rm
	e, _ := errand("true")
	e.Program = []byte("hello")
	_, err := g.Do(t.Context(), e)
	assert.ErrorIs(t, err, ErrLeft)
	assert.ErrorContains(t, err, "whether p runs in guest grading is not known")
	assert.Equal(t, 1, strings.Count(strings.Join(s.asked, "\n"), `"mkdir"`))
}
