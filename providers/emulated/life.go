package emulated

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/rpc"
	"time"

	"lendkeep/providers/emulated/wire"
)

// askTime is what a question gets whose asker set no deadline. Without KVM a
// whole order of a move takes more than a minute on a quiet machine of two cores.
const askTime = 5 * time.Minute

// errOff is the answer of a host that is not running.
var errOff = errors.New("the host is off")

// life is the host from one power-on to the next loss of power. What began
// in one can only fail in the next, never reach a namesake.
type life struct {
	qemu  *emulator
	agent *rpc.Client
}

// connect reaches the agent of a QEMU that was just started and waits until
// the host is up.
func connect(ctx context.Context, qemu *emulator, socket string) (*life, error) {
	var conn net.Conn
	for {
		var err error
		if conn, err = net.Dial("unix", socket); err == nil {
			break
		}
		select {
		case <-qemu.ended:
			return nil, qemu.why()
		case <-ctx.Done():
			return nil, fmt.Errorf("connect to the agent: %w", errors.Join(ctx.Err(), err))
		case <-time.After(20 * time.Millisecond):
		}
	}
	l := &life{qemu: qemu, agent: rpc.NewClient(conn)}
	var up float64
	if err := l.ask(ctx, "Ready", wire.None(false), &up); err != nil {
		l.agent.Close()
		return nil, fmt.Errorf("wait for the host to come up: %w", err)
	}
	return l, nil
}

// ask makes one call. It ends early when the host does or the asker's time is up.
func (l *life) ask(ctx context.Context, method string, question, answer any) error {
	if _, limited := ctx.Deadline(); !limited {
		var cancel context.CancelFunc
		ctx, cancel = context.WithTimeout(ctx, askTime)
		defer cancel()
	}
	call := l.agent.Go(wire.Service+"."+method, question, answer, make(chan *rpc.Call, 1))
	select {
	case <-call.Done:
		return l.blame(call.Error)
	case <-l.qemu.ended:
		return l.qemu.why()
	case <-ctx.Done():
		return ctx.Err()
	}
}

// blame finds the cause of a broken channel: QEMU's end shows itself there first.
func (l *life) blame(err error) error {
	var answered rpc.ServerError
	if err == nil || errors.As(err, &answered) {
		return err
	}
	select {
	case <-l.qemu.ended:
		return l.qemu.why()
	case <-time.After(time.Second):
		return err
	}
}

// ask makes one call to the host as it is now.
func (h *Host) ask(ctx context.Context, method string, question, answer any) error {
	l := h.up.Load()
	if l == nil {
		return errOff
	}
	return l.ask(ctx, method, question, answer)
}
