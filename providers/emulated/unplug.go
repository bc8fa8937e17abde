package emulated

import (
	"context"
	"encoding/json"
	"fmt"
	"net"
	"path/filepath"
)

func (h *Host) monitor() string { return filepath.Join(h.folder, "monitor") }

// Unplug takes a card out of the running machine, by the name that its
// description gives it ("card1" is the first). The host is asked, as by the
// button of a slot, and gives the card up when its driver does.
func (h *Host) Unplug(ctx context.Context, card string) error {
	conn, err := new(net.Dialer).DialContext(ctx, "unix", h.monitor())
	if err != nil {
		return fmt.Errorf("unplug %s: %w", card, err)
	}
	defer conn.Close()
	if end, limited := ctx.Deadline(); limited {
		_ = conn.SetDeadline(end)
	}
	answers, orders := json.NewDecoder(conn), json.NewEncoder(conn)
	for _, order := range []map[string]any{
		{"execute": "qmp_capabilities"},
		{"execute": "device_del", "arguments": map[string]string{"id": card}},
	} {
		if err := orders.Encode(order); err != nil {
			return fmt.Errorf("unplug %s: %w", card, err)
		}
		if err := answered(answers); err != nil {
			return fmt.Errorf("unplug %s: %w", card, err)
		}
	}
	return nil
}

// answered reads up to the next answer; greetings and events come between
// (QEMU, docs/interop/qmp-spec).
func answered(answers *json.Decoder) error {
	for {
		var answer struct {
			Return json.RawMessage `json:"return"`
			Error  *struct {
				Desc string `json:"desc"`
			} `json:"error"`
		}
		if err := answers.Decode(&answer); err != nil {
			return err
		}
		if answer.Error != nil {
			return fmt.Errorf("QEMU answers: %s", answer.Error.Desc)
		}
		if answer.Return != nil {
			return nil
		}
	}
}
