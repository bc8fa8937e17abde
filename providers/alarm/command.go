// Package alarm tells the operator of something by a command of their own.
// Start at Command.
package alarm

import (
	"bytes"
	"context"
	"fmt"
	"os/exec"
	"strings"
	"syscall"
	"time"
)

// Within is how long a command may take: one that hangs must not keep the next
// alarm back.
const Within = 10 * time.Second

// maxSaid is how much of what a command says goes into an error, in bytes.
const maxSaid = 500

// Command is a program and its arguments, run without a shell.
type Command []string

// Tell runs the command with an event, one line of JSON, on its standard input.
// It and all it has started are ended after Within.
func (c Command) Tell(ctx context.Context, event []byte) error {
	if len(c) == 0 {
		return nil
	}
	ctx, cancel := context.WithTimeout(ctx, Within)
	defer cancel()
	run := exec.CommandContext(ctx, c[0], c[1:]...)
	run.Dir = "/"
	run.Stdin = bytes.NewReader(append(bytes.Clone(event), '\n'))
	said := &limited{}
	run.Stdout, run.Stderr = said, said
	run.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	run.Cancel = func() error { return syscall.Kill(-run.Process.Pid, syscall.SIGKILL) }
	run.WaitDelay = time.Second // for a grandchild that keeps the output open
	err := run.Run()
	switch {
	case ctx.Err() == context.DeadlineExceeded:
		return fmt.Errorf("tell %s: it did not end within %s", c[0], Within)
	case err != nil && said.kept.Len() > 0:
		return fmt.Errorf("tell %s: %w: %s", c[0], err, strings.Join(strings.Fields(said.kept.String()), " "))
	case err != nil:
		return fmt.Errorf("tell %s: %w", c[0], err)
	}
	return nil
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
