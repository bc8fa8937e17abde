// Package alarm tells the operator of something by a command of their own.
// Start at Command.
package alarm

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os/exec"
	"strings"
	"syscall"
	"time"

	"golang.org/x/sys/unix"
)

// Within is how long a command may take: one that hangs must not keep the next
// alarm back.
const Within = 10 * time.Second

// leaving is how long its output is waited for once the command itself has ended:
// what it has left running may keep that open.
const leaving = time.Second

// maxSaid is how much of what a command says goes into an error, in bytes.
const maxSaid = 500

// Command is a program and its arguments, run without a shell.
type Command []string

// Tell runs the command with an event, one line of JSON, on its standard input, in
// a session of its own. What it has started ends with it, and all of it after
// Within: the session, and where the watch is a service everything that systemd
// counts to that, which nobody leaves by daemonizing.
func (c Command) Tell(ctx context.Context, event []byte) error {
	if len(c) == 0 {
		return nil
	}
	ctx, cancel := context.WithTimeout(ctx, Within)
	defer cancel()
	run := exec.Command(c[0], c[1:]...)
	run.Dir = "/"
	run.Stdin = bytes.NewReader(append(bytes.Clone(event), '\n'))
	said := &limited{}
	run.Stdout, run.Stderr = said, said
	run.SysProcAttr = &syscall.SysProcAttr{Setsid: true}
	run.WaitDelay = leaving
	if err := run.Start(); err != nil {
		return fmt.Errorf("tell %s: %w", c[0], err)
	}
	ended := make(chan error, 1)
	go func() { ended <- end(run) }()
	select {
	case err := <-ended:
		if err != nil && said.kept.Len() > 0 {
			return fmt.Errorf("tell %s: %w: %s", c[0], err, strings.Join(strings.Fields(said.kept.String()), " "))
		} else if err != nil {
			return fmt.Errorf("tell %s: %w", c[0], err)
		}
		return nil
	case <-ctx.Done():
	}
	_ = syscall.Kill(-run.Process.Pid, syscall.SIGKILL)
	select { // one that hangs in the kernel is left behind
	case <-ended:
	case <-time.After(2 * leaving):
	}
	if ctx.Err() == context.DeadlineExceeded {
		return fmt.Errorf("tell %s: it did not end within %s", c[0], Within)
	}
	return fmt.Errorf("tell %s: %w", c[0], ctx.Err())
}

// end waits for a command and ends what it has left, before its number can mean
// another process.
func end(run *exec.Cmd) error {
	for unix.Waitid(unix.P_PID, run.Process.Pid, nil, unix.WEXITED|unix.WNOWAIT, nil) == unix.EINTR {
	}
	_ = syscall.Kill(-run.Process.Pid, syscall.SIGKILL)
	endService(ownService())
	err := run.Wait()
	if errors.Is(err, exec.ErrWaitDelay) { // it has ended well itself
		return nil
	}
	return err
}

// limited keeps the beginning of what is written to it. The buffer is no
// embedded one: copying would then pass Write by.
type limited struct{ kept bytes.Buffer }

func (l *limited) Write(p []byte) (int, error) {
	if left := maxSaid - l.kept.Len(); left > 0 {
		l.kept.Write(p[:min(left, len(p))])
	}
	return len(p), nil
}
