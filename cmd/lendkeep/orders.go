package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"github.com/spf13/cobra"

	"lendkeep/reconcile/carry"
	"lendkeep/reconcile/order"
)

// pastOrders is what status --orders --json prints.
type pastOrders struct {
	Version version     `json:"version"`
	Orders  []pastOrder `json:"orders"` // the oldest first
}

// pastOrder is an order that was begun on this host, and its end.
type pastOrder struct {
	Number int       `json:"number,omitempty"` // of its journal; none in those from before there were numbers
	Code   string    `json:"code,omitempty"`
	Host   string    `json:"host,omitempty"`
	Shift  string    `json:"shift,omitempty"`
	Steps  int       `json:"steps,omitempty"`
	Began  time.Time `json:"began"`
	Last   time.Time `json:"last"`
	End    string    `json:"end"` // carry.Result, or notEnded
	Note   string    `json:"note,omitempty"`
	Gap    string    `json:"gap,omitempty"` // why its order is not known, or is none of this host's
}

const notEnded = "not ended"

// ordersOf lists the orders of the host that is looked at.
func ordersOf(ctx context.Context, w *where) (pastOrders, error) {
	list := pastOrders{Orders: []pastOrder{}}
	machine, err := w.machine(ctx)
	if err != nil {
		return list, err
	}
	past, err := readPast(w.keep(), machine)
	if err != nil {
		return list, err
	}
	for _, b := range past.orders {
		o, err := b.told(machine)
		if err != nil {
			return list, err
		}
		list.Orders = append(list.Orders, o)
	}
	return list, nil
}

// told tells of an order by its journal; of one of another version only what the
// events say.
func (b begun) told(machine string) (pastOrder, error) {
	o := pastOrder{Number: b.Sequence, Began: b.Started, Last: b.Last, End: cmp.Or(string(b.Ended), notEnded)}
	if b.Ended != carry.Carried && b.Note != carry.AskedFor {
		o.Note = b.Note
	}
	report, err := b.report()
	switch {
	case errors.Is(err, order.ErrOtherVersion):
		o.Gap = "its order is of another version"
		return o, nil
	case err != nil:
		return o, err
	}
	of := report.Sealed.Order
	o.Code, o.Host, o.Shift, o.Steps = report.Sealed.Code(), of.Host, of.Shift, len(of.Steps)
	if of.Machine != machine {
		o.Gap = "it is of another machine"
	}
	return o, nil
}

func showOrders(c *cobra.Command, w *where, asJSON bool) error {
	if err := w.exists(); err != nil {
		return err
	}
	list, err := ordersOf(c.Context(), w)
	if err != nil {
		return err
	}
	if asJSON {
		return printJSON(c.OutOrStdout(), list)
	}
	return printOrders(c, list)
}

func printOrders(c *cobra.Command, list pastOrders) error {
	t := &text{w: c.OutOrStdout()}
	if len(list.Orders) == 0 {
		t.line("No order was carried out on this host.")
		return t.err
	}
	rows := [][]string{{"order", "began", "shift", "steps", "end", "at", "why"}}
	for _, o := range list.Orders {
		at := "-"
		if o.End != notEnded {
			at = stamp(o.Last)
		}
		steps := "-"
		if o.Code != "" {
			steps = fmt.Sprint(o.Steps)
		}
		rows = append(rows, []string{orDash(o.Code), stamp(o.Began), orDash(o.Shift), steps, o.End, at, orDash(cmp.Or(o.Gap, o.Note))})
	}
	t.table(rows)
	if slices.ContainsFunc(list.Orders, func(o pastOrder) bool { return o.End == notEnded && o.Gap == "" }) {
		t.line("")
		t.line("What has not ended: %s", advised(c, "lendkeep resume to go on with it, or lendkeep rollback to undo it"))
	}
	return t.err
}
