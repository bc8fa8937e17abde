package main

import (
	"bytes"
	"io"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/creack/pty"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
)

// atTerminal is lendkeep, the program itself, called at a terminal of its own.
type atTerminal struct {
	*exec.Cmd
	t    *testing.T
	keys *os.File // the person's side of the terminal

	mu    sync.Mutex
	shown bytes.Buffer
	gone  chan struct{} // closed when the terminal shows nothing any more
}

// start calls a program whose input and errors are a terminal; standard output is
// that too where out is nil.
func start(t *testing.T, out io.Writer, name string, arguments ...string) *atTerminal {
	master, screen, err := pty.Open()
	require.NoError(t, err)
	require.NoError(t, pty.Setsize(master, &pty.Winsize{Cols: narrow, Rows: 25}))
	// Of a file that blocks, closing waits for the reading.
	fd, err := unix.FcntlInt(master.Fd(), unix.F_DUPFD_CLOEXEC, 0)
	require.NoError(t, err)
	require.NoError(t, unix.SetNonblock(fd, true))
	keys := os.NewFile(uintptr(fd), master.Name())
	require.NoError(t, master.Close())
	a := &atTerminal{Cmd: exec.Command(name, arguments...), t: t, keys: keys, gone: make(chan struct{})}
	a.Stdin, a.Stdout, a.Stderr = screen, screen, screen
	if out != nil {
		a.Stdout = out
	}
	a.SysProcAttr = &syscall.SysProcAttr{Setsid: true, Setctty: true}
	// What is ignored stays so in a child (execve(2)), as under nohup; what is caught
	// does not.
	heard := make(chan os.Signal, 1)
	signal.Notify(heard, syscall.SIGHUP)
	t.Cleanup(func() { signal.Stop(heard) })
	require.NoError(t, a.Start())
	require.NoError(t, screen.Close())
	t.Cleanup(func() { _, _ = a.Process.Kill(), a.Wait() })
	go func() {
		defer close(a.gone)
		some := make([]byte, 4096)
		for {
			n, err := keys.Read(some) // EIO once nobody has the terminal open
			a.mu.Lock()
			a.shown.Write(some[:n])
			a.mu.Unlock()
			if err != nil {
				return
			}
		}
	}()
	return a
}

func (a *atTerminal) screen() string {
	a.mu.Lock()
	defer a.mu.Unlock()
	return strings.ReplaceAll(a.shown.String(), "\r\n", "\n")
}

// sees waits until the terminal shows a text.
func (a *atTerminal) sees(text string) { a.t.Helper(); a.seesAgain(text, 1) }

// seesAgain waits until the terminal has shown a text so many times.
func (a *atTerminal) seesAgain(text string, times int) {
	a.t.Helper()
	for range 3000 {
		if strings.Count(a.screen(), text) >= times {
			return
		}
		time.Sleep(10 * time.Millisecond)
	}
	require.Fail(a.t, "never shown: "+text, a.screen())
}

func (a *atTerminal) types(keys string) {
	_, err := io.WriteString(a.keys, keys)
	require.NoError(a.t, err)
}

// ends waits for the end and gives the exit code.
func (a *atTerminal) ends() int {
	hung := time.AfterFunc(time.Minute, func() { _ = a.Process.Kill() }) // then the code is -1
	defer hung.Stop()
	_ = a.Wait()
	return a.ProcessState.ExitCode()
}

// ownProgram is this test binary, under its own name.
func ownProgram(t *testing.T) string {
	program, err := exec.LookPath("lendkeep")
	require.NoError(t, err)
	return program
}

// narrow is how many columns the terminal has.
const narrow = 50

const (
	asksCode = "type the code: "
	asksHand = "type the guest's name: "
)

// byHand is a stand-in host and an order for it that begins with three steps by hand
// in the guest grading.
func byHand(t *testing.T) (folder, order, code, before string) {
	folder, before = standIn(t)
	order = filepath.Join(folder, "move.order")
	out := must(t, "plan", "../../examples/moving", "--shift", "day", "--stand-in", folder, "-o", order)
	_, rest, found := strings.Cut(out, "Approval code: ")
	require.True(t, found)
	return folder, order, strings.Fields(rest)[0], before
}

func untouched(t *testing.T, folder, before string) {
	t.Helper()
	assert.Equal(t, before, surveyOf(t, folder))
	journals, err := filepath.Glob(filepath.Join(folder, "journals", "*"+journalEnd))
	require.NoError(t, err)
	assert.Empty(t, journals)
}

// An interrupt, the end of input and a terminal that goes away all end the asking,
// and what is typed after that is no answer.
func TestNoAnswer(t *testing.T) {
	folder, before := standIn(t)
	order, code := dayOrder(t, folder)
	for name, leave := range map[string]func(*atTerminal){
		"Ctrl-C":   func(a *atTerminal) { a.types("\x03"); a.sees("^C"); a.types(code + "\n") },
		"Ctrl-D":   func(a *atTerminal) { a.types("\x04") },
		"SIGTERM":  func(a *atTerminal) { require.NoError(t, a.Process.Signal(syscall.SIGTERM)) },
		"terminal": func(a *atTerminal) { require.NoError(t, a.keys.Close()) },
	} {
		t.Run(name, func(t *testing.T) {
			a := start(t, nil, ownProgram(t), "apply", order, "--stand-in", folder)
			a.sees(asksCode)
			leave(a)
			assert.Equal(t, exitUsage, a.ends())
			if name != "terminal" {
				a.sees("no answer was given; nothing was touched")
			}
			untouched(t, folder, before)
		})
	}
}

// In the middle of an order an interrupt, or a terminal that goes away, has it
// undone, as SIGTERM does.
func TestInterruptedInTheMiddle(t *testing.T) {
	for name, leave := range map[string]func(*atTerminal){
		"Ctrl-C":   func(a *atTerminal) { a.types("\x03") },
		"SIGTERM":  func(a *atTerminal) { require.NoError(t, a.Process.Signal(syscall.SIGTERM)) },
		"SIGHUP":   func(a *atTerminal) { require.NoError(t, a.Process.Signal(syscall.SIGHUP)) },
		"terminal": func(a *atTerminal) { require.NoError(t, a.keys.Close()) },
	} {
		t.Run(name, func(t *testing.T) {
			folder, order, code, before := byHand(t)
			a := start(t, nil, ownProgram(t), "apply", order, "--approve", code, "--stand-in", folder)
			a.sees(asksHand)
			a.types("grading\n")
			a.seesAgain(asksHand, 2)
			assert.Contains(t, a.screen(), "step 1  done ", "something is to be undone")
			leave(a)
			assert.Equal(t, exitRolledBack, a.ends(), a.screen())
			assert.Equal(t, before, surveyOf(t, folder))
		})
	}
}

// Whoever has a call ignore the end of its terminal, as nohup does, is heeded.
func TestIgnoredHangup(t *testing.T) {
	folder, _ := standIn(t)
	order, code := dayOrder(t, folder)
	a := start(t, nil, "sh", "-c", `trap "" HUP; exec "$@"`, "sh", ownProgram(t), "apply", order, "--stand-in", folder)
	a.sees(asksCode)
	require.NoError(t, a.Process.Signal(syscall.SIGHUP))
	a.types(code + "\n")
	assert.Equal(t, exitDone, a.ends(), a.screen())
}

// Where standard output is a pipe, what is asked and what is approved are shown at
// the terminal, and the pipe has what happens.
func TestAskingStaysOutOfPipes(t *testing.T) {
	folder, order, code, _ := byHand(t)
	var piped bytes.Buffer
	a := start(t, &piped, ownProgram(t), "apply", order, "--stand-in", folder, "--color", "always")
	a.sees(asksCode)
	assert.Contains(t, a.screen(), "Approval code: "+code)
	assert.Contains(t, a.screen(), "\x1b[1;33mcaution\x1b[0m: ", "what is asked for standard output holds here as well")
	a.types(code + "\n")
	for n := range 3 {
		a.seesAgain(asksHand, n+1)
		a.types("grading\n")
	}
	require.Equal(t, exitDone, a.ends(), a.screen())
	for line := range strings.Lines(a.screen()) {
		drawn := regexp.MustCompile(`\x1b\[[0-9;]*[mK]|\r|\n`).ReplaceAllString(line, "")
		if !strings.Contains(line, asksCode) { // behind which the code was typed
			assert.True(t, len(drawn) <= narrow || len(strings.Fields(drawn)) == 1, line)
		}
	}
	assert.NotContains(t, a.screen(), "is carried out")
	assert.Contains(t, piped.String(), "is carried out")
	for _, asked := range []string{asksCode, asksHand, "Approval code: "} {
		assert.NotContains(t, piped.String(), asked)
	}
}

// Once nobody reads what an order says it is undone: apply | head -1.
func TestLostPipe(t *testing.T) {
	folder, before := standIn(t)
	order, code := dayOrder(t, folder)
	ended, told := withoutReader(t, "apply", order, "--approve", code, "--stand-in", folder)
	assert.Equal(t, exitRolledBack, ended.ExitCode(), told)
	assert.Contains(t, told, "everything was undone: interrupted")
	assert.Equal(t, before, surveyOf(t, folder))

	// The removal of the guard is an order as well; its two steps may be done before
	// the loss is noticed.
	order, code = orderOf(t, folder, "night")
	must(t, "apply", order, "--approve", code, "--stand-in", folder)
	before = surveyOf(t, folder)
	ended, told = withoutReader(t, "unguard", "--stand-in", folder)
	assert.True(t, ended.Exited(), ended)
	if after := surveyOf(t, folder); ended.ExitCode() == exitRolledBack {
		assert.Equal(t, before, after, told)
	} else {
		assert.NotContains(t, after, `"hook"`, told)
	}
	assert.NotContains(t, must(t, "status", "--orders", "--stand-in", folder), notEnded)

	// What only shows something just ends, as other programs do.
	ended, _ = withoutReader(t, "survey", "--stand-in", folder)
	assert.Equal(t, syscall.SIGPIPE, ended.Sys().(syscall.WaitStatus).Signal())
}

// withoutReader runs lendkeep with a pipe that nobody reads as its standard output.
func withoutReader(t *testing.T, arguments ...string) (ended *os.ProcessState, told string) {
	reader, writer, err := os.Pipe()
	require.NoError(t, err)
	require.NoError(t, reader.Close())
	var said bytes.Buffer
	c := exec.Command(ownProgram(t), arguments...)
	c.Stdout, c.Stderr = writer, &said
	_ = c.Run()
	require.NoError(t, writer.Close())
	return c.ProcessState, said.String()
}
