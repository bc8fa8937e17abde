package emuhost

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/rpc"
	"time"

	"lendkeep/testdata/emuhost/wire"
)

// call connects to the agent's channel and waits until the host is up.
func (h *Host) call(ctx context.Context) (*rpc.Client, error) {
	var conn net.Conn
	for conn == nil {
		var err error
		if conn, err = net.Dial("unix", h.socket()); err == nil {
			break
		}
		select {
		case <-h.qemu.ended:
			return nil, h.qemu.why()
		case <-ctx.Done():
			return nil, fmt.Errorf("connect to the agent: %w", errors.Join(ctx.Err(), err))
		case <-time.After(20 * time.Millisecond):
		}
	}
	client := rpc.NewClient(conn)
	var up float64
	if err := h.ask(ctx, client, "Ready", wire.None(false), &up); err != nil {
		client.Close()
		return nil, fmt.Errorf("wait for the host to come up: %w", err)
	}
	return client, nil
}

// ask makes one call. It ends early when the host does or the caller's time is up.
func (h *Host) ask(ctx context.Context, client *rpc.Client, method string, question, answer any) error {
	call := client.Go(wire.Service+"."+method, question, answer, make(chan *rpc.Call, 1))
	select {
	case <-call.Done:
		return h.blame(call.Error)
	case <-h.qemu.ended:
		return h.qemu.why()
	case <-ctx.Done():
		return ctx.Err()
	}
}

// blame finds the cause of a broken channel: QEMU's end shows itself there first.
func (h *Host) blame(err error) error {
	var answered rpc.ServerError
	if err == nil || errors.As(err, &answered) {
		return err
	}
	select {
	case <-h.qemu.ended:
		return h.qemu.why()
	case <-time.After(time.Second):
		return err
	}
}
