package main

import (
	"bytes"
	"context"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"lendkeep/reconcile/facts"
)

// newFront gives a front whose program is a script, and what it starts beside.
func newFront(t *testing.T, script string) (front, *[]string) {
	program := filepath.Join(t.TempDir(), "guard")
	require.NoError(t, os.WriteFile(program, []byte("#!/bin/sh\n"+script), 0o755))
	var beside []string
	short := 200 * time.Millisecond
	return front{program: program, bounds: map[string]time.Duration{opPrepare: short, opRelease: short},
		detach: func(input string, arguments ...string) error {
			beside = append(beside, strings.Join(arguments, " ")+": "+input)
			return nil
		}}, &beside
}

var (
	preparing = []string{"grading", "prepare", "begin", "-"}
	releasing = []string{"grading", "release", "end", "-"}
)

// libvirt gets the answer of the process that has done the work.
func TestFrontAnswers(t *testing.T) {
	f, beside := newFront(t, `read line; printf '{"code":1,"said":"%s %s %s: %s"}\n' "$1" "$2" "$3" "$line"; sleep 100`)
	f.bounds[opPrepare] = time.Hour
	var said bytes.Buffer
	require.True(t, f.answers(preparing))
	require.False(t, f.answers([]string{"grading", "started", "begin", "-"}))
	assert.Equal(t, exitRefuse, f.answer(preparing, strings.NewReader("<domain/>\n"), &said))
	assert.Equal(t, "grading work prepare begin: <domain/>", said.String())
	assert.Empty(t, *beside)
}

// Whatever the process of its own does that shall do the work, the front answers:
// a start is refused, a return handed on.
func TestFrontAnswersInTime(t *testing.T) {
	for name, script := range map[string]string{
		"it hangs, and heeds no signal": "trap '' TERM HUP INT; sleep 1000",
		"it reads nothing, and hangs":   "exec sleep 1000 </dev/null",
		"it ends without a word":        "exit 0",
		"it breaks":                     "exit 2",
		"it talks nonsense":             "echo hello; sleep 1000",
		"it never ends its line":        "yes x | tr -d '\\n'",
		"it answers with another code":  `echo '{"code":7,"said":""}'`,
		"it leaves a child behind":      "sleep 1000 & exit 0",
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			f, beside := newFront(t, script)
			f.bounds[opPrepare], f.bounds[opRelease] = 3*time.Second, 3*time.Second // to begin at all takes a moment
			var said bytes.Buffer
			definition := strings.Repeat("x", 1<<20) // more than a pipe holds
			assert.Equal(t, exitRefuse, f.answer(preparing, strings.NewReader(definition), &said))
			assert.Contains(t, said.String(), "lendkeep: guest grading was not started: ")
			require.Len(t, *beside, 1)
			assert.Contains(t, (*beside)[0], "grading tell refused: ")
			assert.Equal(t, exitPass, f.answer(releasing, strings.NewReader(definition), &said))
			require.Len(t, *beside, 2)
			assert.Equal(t, "grading take back: "+definition, (*beside)[1])
		})
	}
	f, _ := newFront(t, "")
	f.program = filepath.Join(t.TempDir(), "absent")
	assert.Equal(t, exitRefuse, f.answer(preparing, strings.NewReader("x"), io.Discard), "it cannot be begun")
}

// Nor is a definition waited for that does not come.
func TestFrontWithoutADefinition(t *testing.T) {
	f, beside := newFront(t, `echo '{"code":0,"said":""}'`)
	from, to, err := os.Pipe()
	require.NoError(t, err)
	defer to.Close()
	var said bytes.Buffer
	assert.Equal(t, exitRefuse, f.answer(preparing, from, &said))
	assert.Contains(t, said.String(), "did not come to an end within")
	f.bounds[opPrepare], f.bounds[opRelease] = time.Hour, time.Hour
	assert.Equal(t, exitRefuse, f.answer(preparing, strings.NewReader(strings.Repeat("x", maxRead+1)), &said))
	assert.Contains(t, said.String(), "longer than any")
	assert.Equal(t, exitPass, f.answer(releasing, strings.NewReader(strings.Repeat("x", maxRead+1)), &said))
	assert.Len(t, *beside, 2, "of a return without a definition nobody knows of what")
}

// What the work is done by is not there any more when its time is over: else it
// would unmount, or mount, once it wakes up.
func TestFrontEndsWhatItLeaves(t *testing.T) {
	into := filepath.Join(t.TempDir(), "pid")
	f, _ := newFront(t, "trap '' TERM; echo $$ > "+into+"; while :; do sleep 1; done")
	f.bounds[opPrepare] = 3 * time.Second
	require.Equal(t, exitRefuse, f.answer(preparing, strings.NewReader("x"), io.Discard))
	pid, err := os.ReadFile(into)
	require.NoError(t, err)
	for { // a zombie until it is waited for
		stat, err := os.ReadFile("/proc/" + strings.TrimSpace(string(pid)) + "/stat")
		if err != nil || strings.Contains(string(stat), ") Z ") {
			break
		}
	}
}

// FuzzAnswer: an answer is one of two codes.
func FuzzAnswer(f *testing.F) {
	f.Add([]byte(`{"code":0,"said":""}` + "\n"))
	f.Fuzz(func(t *testing.T, line []byte) {
		made, err := readAnswer(bytes.NewReader(line))
		if err == nil {
			require.Contains(t, []int{exitPass, exitRefuse}, made.Code)
		}
	})
}

// never does not return.
func never() { select {} }

// Each wait of a call has an end: then a start is refused, and a return told of or
// handed on. What hangs is left behind.
func TestEveryWaitEnds(t *testing.T) {
	soon := bound{limit: time.Millisecond}
	for name, c := range map[string]struct {
		hang func(*bench)
		says string
	}{
		"reading the host":  {func(b *bench) { b.limits.look, b.looks = soon, func(int) { never() } }, "reading the host did not end within 1ms"},
		"the second look":   {func(b *bench) { b.limits.look, b.looks = soon, func(n int) { hangs(n == 2) } }, "reading the host did not end within 1ms"},
		"asking the kernel": {func(b *bench) { b.limits.look, b.asked = soon, never }, "reading the host did not end within 1ms"},
		"asking of disks":   {func(b *bench) { b.limits.look, b.disks = soon, never }, "reading the host did not end within 1ms"},
		"unmounting":        {func(b *bench) { b.limits.unmount, b.unmounts = soon, never }, "unmounting /srv/shelf did not end within 1ms"},
		"names of functions": {func(b *bench) {
			b.limits.names, b.names = soon, never
			b.Card(facts.Address{Bus: 1}, "e1000e")
		}, "without its IOMMU group: 82574L"},
		"a lock that leads nowhere": {func(b *bench) { require.NoError(b.t, os.Symlink(b.lock, b.lock)) }, "an order is being carried out"},
	} {
		t.Run(name, func(t *testing.T) {
			b := newBench(t)
			c.hang(b)
			code, said := b.call("l2", "prepare begin -")
			assert.Equal(t, exitRefuse, code)
			assert.Contains(t, said, c.says)
		})
	}
	t.Run("reading the host after a guest", func(t *testing.T) {
		b := newBench(t)
		b.limits.look, b.looks = soon, func(int) { never() }
		b.call("l2", "release end -")
		assert.Equal(t, []string{"l2"}, b.handed)
	})
	t.Run("looking into the drives", func(t *testing.T) {
		b := newBench(t)
		b.limits.look, b.into = soon, never
		b.call("l2", "release end -")
		assert.Equal(t, []string{"l2"}, b.handed)
	})
	t.Run("mounting", func(t *testing.T) {
		b := newBench(t)
		b.limits.mount, b.mounts = soon, never
		b.Survey.Mounts = b.Survey.Mounts[:1]
		b.call("l2", "release end -")
		assert.Contains(t, strings.Join(b.told, "\n"), "mounting /srv/shelf did not end within 1ms")
	})
	t.Run("a lock that is a pipe", func(t *testing.T) {
		b := newBench(t)
		require.NoError(t, unix.Mkfifo(b.lock, 0o600))
		code, said := b.call("l2", "prepare begin -")
		assert.Zero(t, code, said)
	})
	quietly(time.Millisecond, never) // as a log that nobody reads, a disk that hangs
}

func hangs(yes bool) {
	if yes {
		never()
	}
}

// What is done within a limit is done as without.
func TestWithin(t *testing.T) {
	made, err := within(bound{limit: time.Hour}, "", func(context.Context) (int, error) { return 7, io.EOF })
	assert.Equal(t, 7, made)
	assert.Equal(t, io.EOF, err)
	assert.PanicsWithValue(t, "oh", func() {
		_, _ = within(bound{limit: time.Hour}, "", func(context.Context) (facts.Survey, error) { panic("oh") })
	})
	_, err = within(bound{time.Millisecond, time.Hour}, "", func(ctx context.Context) (int, error) {
		<-ctx.Done()
		return 0, ctx.Err()
	})
	assert.ErrorIs(t, err, context.DeadlineExceeded, "who knows of the limit says why")
}
