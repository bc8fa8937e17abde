package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"strings"
	"syscall"
	"time"

	"lendkeep/reconcile/strict"
)

// front is the process that libvirt waits for, however long. It touches nothing
// that may never answer: a process of its own does, which is left behind when its
// time is over. It could not be waited for: a process that is stuck in the kernel
// does not end when it is killed, nor does any other thread of the same.
type front struct {
	program string // this one
	bounds  map[string]time.Duration
	detach  func(input string, arguments ...string) error // starts this program beside
}

// bounds is how long a call may take in all: the lock of the grants, a look at the host, unmounts,
// a second look, notes; of a return what release waits, a look and a mount. A
// start that takes longer is refused, a return is handed on.
var bounds = map[string]time.Duration{opPrepare: 90 * time.Second, opRelease: 30 * time.Second}

// answers tells whether a call is one that libvirt waits for and that may hang.
func (f front) answers(arguments []string) bool {
	return len(arguments) >= 3 && f.bounds[arguments[1]+" "+arguments[2]] > 0
}

// answer is what a call comes to.
type answer struct {
	Code int    `json:"code"`
	Said string `json:"said"`
}

// maxSaid bounds what is said; libvirt shows it in one line. maxAnswer bounds it as
// JSON, which may need six bytes for one.
const (
	maxSaid   = 16 << 10
	maxAnswer = 8 * maxSaid
)

// answer answers libvirt in time.
func (f front) answer(arguments []string, stdin io.Reader, stderr io.Writer) int {
	guest, operation := arguments[0], arguments[1]+" "+arguments[2]
	bound := f.bounds[operation]
	ctx, cancel := context.WithTimeout(context.Background(), bound)
	defer cancel()
	definition, err := readSoon(ctx, stdin)
	var made answer
	if err == nil {
		made, err = f.delegate(ctx, definition, guest, work, operation)
	}
	if errors.Is(err, context.DeadlineExceeded) {
		err = fmt.Errorf("what its start needs looked at, or unmounted, did not come to an end within %s, and was left behind", bound)
	}
	switch {
	case err == nil:
		_, _ = io.WriteString(stderr, made.Said)
		return made.Code
	case operation == opPrepare:
		fmt.Fprintln(stderr, notStarted(guest, err.Error()))
		_ = f.detach(err.Error(), append([]string{guest}, strings.Fields(opRefused)...)...) // libvirt's log has it
		return exitRefuse
	case definition != "": // nobody is there to be told
		_ = f.detach(definition, append([]string{guest}, strings.Fields(opTakeBack)...)...)
	}
	return exitPass
}

// readSoon reads standard input, which whoever calls may never close.
func readSoon(ctx context.Context, from io.Reader) (string, error) {
	text, err := until(ctx, func() (string, error) { return readBounded(from) })
	if err != nil && ctx.Err() == nil {
		return "", fmt.Errorf("its definition could not be read: %w", err)
	}
	return text, err
}

// delegate has another process of this program do the work of a call, in a session
// of its own and with none of libvirt's pipes. One that has not answered as it
// should is killed as a whole, so that it does nothing more once it wakes up, and is
// not waited for.
func (f front) delegate(ctx context.Context, input string, arguments ...string) (answer, error) {
	from, to, err := os.Pipe()
	if err != nil {
		return answer{}, fmt.Errorf("begin: %w", err)
	}
	defer from.Close()
	command := exec.Command(f.program, arguments...)
	command.Stdin, command.Stdout, command.Dir = strings.NewReader(input), to, "/"
	command.SysProcAttr = &syscall.SysProcAttr{Setsid: true}
	err = command.Start()
	_ = to.Close()
	if err != nil {
		return answer{}, fmt.Errorf("begin: %w", err)
	}
	defer func() { go func() { _ = command.Wait() }() }() // its answer is what counts
	made, err := until(ctx, func() (answer, error) { return readAnswer(from) })
	if err != nil {
		_ = syscall.Kill(-command.Process.Pid, syscall.SIGKILL)
	}
	return made, err
}

// readAnswer reads the one line of an answer.
func readAnswer(from io.Reader) (answer, error) {
	line, err := bufio.NewReader(io.LimitReader(from, maxAnswer)).ReadBytes('\n')
	if err != nil {
		return answer{}, errors.New("the guard itself failed: it ended without a word")
	}
	var made answer
	if err := strict.ReadWhole(line, maxAnswer, &made); err != nil {
		return answer{}, fmt.Errorf("the guard itself failed: %w", err)
	}
	if made.Code != exitPass && made.Code != exitRefuse {
		return answer{}, fmt.Errorf("the guard itself failed: it answered %d", made.Code)
	}
	return made, nil
}

// answerFront does the work of a call for a front, and tells it what came of it.
func answerFront(arguments []string, stdin io.Reader, stdout io.Writer, here surroundings) {
	guest, operation := arguments[0], arguments[2]
	var said bytes.Buffer
	code := run(append([]string{guest}, strings.Fields(operation)...), stdin, &said, here)
	text := said.String()
	line, err := json.Marshal(answer{code, text[:min(len(text), maxSaid)]})
	if err == nil {
		_, _ = stdout.Write(append(line, '\n')) // a front that has ended has refused
	}
}
