// Package alarm tells the operator of something by a command of their own.
// Start at Command.
package alarm

import (
	"bytes"
	"context"
	"fmt"
	"os/exec"
	"time"

	"lendkeep/providers/program"
)

// Within is how long a command may take: one that hangs must not keep the next
// alarm back.
const Within = 10 * time.Second

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
	command := exec.Command(c[0], c[1:]...)
	command.Dir = "/"
	command.Stdin = bytes.NewReader(append(bytes.Clone(event), '\n'))
	if _, err := program.RunAlone(ctx, command, func() { endService(ownService()) }); err != nil {
		return fmt.Errorf("tell %s: %w", c[0], err)
	}
	return nil
}
