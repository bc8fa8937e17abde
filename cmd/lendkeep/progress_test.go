package main

import (
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/creack/pty"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestProgressIsToldInWords(t *testing.T) {
	p := &progress{phase: "copy", from: 1 << 30, done: 2 << 30, total: 5 << 30}
	assert.Equal(t, "copy: 2.0 GiB of 5.0 GiB, 102.4 MiB/s, left 30s", rated(p, 10*time.Second), "it went on where an earlier try was cut off")
	p.done = p.from
	assert.Equal(t, "copy: 1.0 GiB of 5.0 GiB", rated(p, 10*time.Second), "nothing is known of its pace")
	p = &progress{phase: "calls rehearsed", done: 11, total: 33}
	assert.Equal(t, "calls rehearsed: 11 of 33, left 6s", pieces(p, 3*time.Second))
	p = &progress{phase: "step 1 of 2: start guest grading", total: uint64(10 * time.Second)}
	assert.Equal(t, "step 1 of 2: start guest grading, 4s, left about 6s", waited(p, 4*time.Second))
	assert.Equal(t, "step 1 of 2: start guest grading, 14s", waited(p, 14*time.Second), "it takes longer than most do")
	p.total = 0
	assert.Equal(t, "step 1 of 2: start guest grading, 4s", waited(p, 4*time.Second))
}

// How long reading the host takes is known from the last time, if that was long, and
// within an order from the shortest look.
func TestReadingIsEstimated(t *testing.T) {
	t.Setenv("XDG_CACHE_HOME", filepath.Join(t.TempDir(), "cache"))
	near, far, err := pty.Open()
	require.NoError(t, err)
	defer near.Close()
	defer far.Close()
	read := func(takes time.Duration) (said time.Duration) {
		p := newProgress(far)
		now := time.Unix(0, 0)
		p.now = func() time.Time { return now }
		p.reading()
		said = time.Duration(p.total)
		now = now.Add(takes)
		p.end()
		p.reading()
		if said == 0 {
			assert.Equal(t, takes, time.Duration(p.total))
		} else {
			assert.Equal(t, min(said, takes), time.Duration(p.total))
		}
		p.end()
		keepReading(takes)
		return said
	}
	assert.Zero(t, read(12*time.Second))
	assert.Equal(t, 12*time.Second, read(time.Second))
	assert.Equal(t, 12*time.Second, read(9*time.Second), "what is short is not told")
	assert.Equal(t, 9*time.Second, read(time.Second))
	require.NoError(t, os.WriteFile(cached(readingFile), []byte("-3s"), 0o600))
	assert.Zero(t, read(time.Second))
	p := &progress{phase: readingHost, total: uint64(12 * time.Second)}
	assert.Equal(t, "reading the host, 4s, left about 8s", waited(p, 4*time.Second))
}

// What is told goes again: at the end the line is empty, and no line was begun.
func TestProgressGoesAgain(t *testing.T) {
	t.Setenv("LC_ALL", "C")
	near, far, err := pty.Open()
	require.NoError(t, err)
	require.NoError(t, pty.Setsize(near, &pty.Winsize{Cols: 30, Rows: 25}))
	p := newProgress(far)
	p.line.Show("step 1 of 2: start guest grading, which borrows reel")
	p.line.Show("köln\x1b[2J")
	p.line.Clear()
	p.end() // of nothing
	require.NoError(t, far.Close())
	told, _ := io.ReadAll(near) // ends with an error once the far side is closed (Linux)
	require.NoError(t, near.Close())
	assert.Equal(t, "\r\x1b[Kstep 1 of 2: start guest\r\x1b[Kk\\xf6ln\\x1b[2J\r\x1b[K", string(told))
}

// Where there is no terminal nothing is told.
func TestProgressIsForTerminals(t *testing.T) {
	var out strings.Builder
	p := newProgress(&out)
	p.copied("copy", 1, 2)
	p.counted("calls rehearsed", 1, 2)
	p.awaited("reading the host", 0)
	p.end()
	(*progress)(nil).awaited("reading the host", 0)
	(*progress)(nil).end()
	assert.Empty(t, out.String())
}
