//go:build libvirt_dlopen

package libvirt

import (
	"context"
	"errors"
	"slices"
	"time"

	"libvirt.org/go/libvirt"
)

// AskAgent gives QEMU's agent in a running guest one command, and gives its reply;
// both are JSON. libvirt holds the two together, waits for an answer no longer than
// it is told, in whole seconds, and takes no command or reply of more than some
// megabytes. What the agent refuses is an error. The library libvirt-qemu is loaded
// when it is first needed.
func (c *Conn) AskAgent(ctx context.Context, name, command string, within time.Duration) (string, error) {
	reply, err := ask(ctx, c, "ask the agent of guest", name, func(g *libvirt.Domain) (string, error) {
		return g.QemuAgentCommand(command, libvirt.DomainQemuAgentCommandTimeout(max(1, within/time.Second)), 0)
	})
	return reply, marked(err)
}

// marked marks an error where the agent has not answered.
func marked(err error) error {
	var said libvirt.Error
	if errors.As(err, &said) && slices.Contains(silences, said.Code) {
		return silence{err}
	}
	return err
}

// silences are libvirt's errors where an agent has not answered.
var silences = []libvirt.ErrorNumber{libvirt.ERR_AGENT_UNRESPONSIVE, libvirt.ERR_AGENT_UNSYNCED, libvirt.ERR_AGENT_COMMAND_TIMEOUT, libvirt.ERR_OPERATION_TIMEOUT}

// silence is the error where an agent has not answered, and may do so later.
type silence struct{ error }

func (s silence) Unwrap() error { return s.error }

// Silent says so to whoever asks the agent.
func (silence) Silent() bool { return true }
