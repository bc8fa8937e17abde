package main

import (
	"errors"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"lendkeep/providers/person"
	"lendkeep/reconcile/carry"
	"lendkeep/reconcile/order"
	"lendkeep/reconcile/step"
	"lendkeep/spec"
	"lendkeep/spec/plain"
)

// said is what a person has said on the command line instead of at a terminal.
type said struct {
	code      string
	serials   []string
	confirmed []string
	json      bool // a program reads on, so nobody is asked
}

func (s *said) jsonFlag(c *cobra.Command) {
	c.Flags().BoolVar(&s.json, "json", false, "print what happens as JSON, one event a line, and ask nobody (lendkeep help json)")
}

func (s *said) eraseFlag(c *cobra.Command) {
	c.Flags().StringArrayVar(&s.serials, "erase", nil, "the `SERIAL` of a drive that is erased; once for each")
}

func (s *said) confirmedFlag(c *cobra.Command) {
	c.Flags().StringArrayVar(&s.confirmed, "confirmed", nil, "says that every step by hand in `GUEST` is done; once for each")
}

// terminal gives the terminal of the person who approves, or nil where nobody can
// be asked.
func (s *said) terminal(c *cobra.Command) *terminal {
	if s.json {
		return nil
	}
	return terminalOf(c)
}

// desk asks for steps by hand what was not said already.
func (s *said) desk(c *cobra.Command, keeps step.Person) step.Person {
	desk := person.Desk{Keeps: keeps, Out: c.OutOrStdout(), Confirmed: s.confirmed}
	if at := s.terminal(c); at != nil {
		desk.In, desk.Out = at.in, at.out.Lines()
	}
	return desk
}

// approve takes code and serials from the flags, or asks the person at the
// terminal for them after showing the order.
func approve(c *cobra.Command, sealed order.Sealed, name string, said said) (order.Approval, error) {
	at := said.terminal(c)
	if said.code == "" {
		if at == nil {
			return order.Approval{}, fail(exitUsage, "read the order, then give its code: lendkeep apply "+plain.Quoted(name)+" --approve CODE", "the order is not approved")
		}
		// What is approved is shown where it is: standard output may be a pipe.
		if err := printOrder(at.out, sealed, "", false); err != nil {
			return order.Approval{}, err
		}
		code, err := at.ask(c.Context(), "To approve exactly these steps, type the code: ")
		if err != nil {
			return order.Approval{}, err
		}
		said.code = code
	}
	if err := said.erasing(c, at, sealed.Order.Erases(), "This order erases the drive"); err != nil {
		return order.Approval{}, err
	}
	if err := said.misnamed(sealed.Order); err != nil {
		return order.Approval{}, err
	}
	if at == nil {
		if err := said.unconfirmed(sealed.Order); err != nil {
			return order.Approval{}, err
		}
	}
	approval, err := order.Approve(sealed, said.code, said.serials...)
	switch {
	case errors.Is(err, order.ErrOtherCode):
		return order.Approval{}, fail(exitOtherCode, "read this very order, which ends with its code: lendkeep show "+plain.Quoted(name), "%w; nothing was touched", err)
	case err != nil:
		return order.Approval{}, fail(exitOtherCode, "look at the drive's label, and give the serial from it: --erase SERIAL", "%w; nothing was touched", err)
	}
	return approval, nil
}

// erasing asks for the serials that were not given.
func (s *said) erasing(c *cobra.Command, at *terminal, serials []string, what string) error {
	for _, serial := range serials {
		if slices.Contains(s.serials, serial) {
			continue
		}
		if at == nil {
			return fail(exitOtherCode, "look at the drive's label, then say so: --erase SERIAL", "%s %s, whose serial was not given; nothing was touched", strings.ToLower(what[:1])+what[1:], serial)
		}
		typed, err := at.ask(c.Context(), what+" "+serial+". To allow that, type the serial from its label: ")
		if err != nil {
			return err
		}
		s.serials = append(s.serials, typed)
		if typed != serial {
			return fail(exitOtherCode, "", "%q is not the serial %s; nothing was touched", typed, serial)
		}
	}
	return nil
}

// unconfirmed refuses an order with steps by hand where nobody can be asked,
// before anything is touched.
func (s *said) unconfirmed(o order.Order) error {
	for _, w := range o.Steps {
		if hand, ok := w.Step.(*step.ByHand); ok && !slices.Contains(s.confirmed, hand.Guest) {
			return fail(exitUsage, "do the steps by hand that plan lists, then say so: --confirmed "+plain.Quoted(hand.Guest), "%s: it is not confirmed; nothing was touched", hand.About().Does)
		}
	}
	return nil
}

// misnamed refuses a confirmation for a guest in which nothing is to be done.
func (s *said) misnamed(o order.Order) error {
	guests := o.ByHand()
	for _, name := range s.confirmed {
		if slices.Contains(guests, name) {
			continue
		}
		next := "leave --confirmed out: nothing is to be done by hand"
		if len(guests) > 0 {
			next = "name one of " + plain.Names(guests)
		}
		if near := spec.Nearest(name, guests); near != "" {
			next = "did you mean --confirmed " + plain.Quoted(near) + "? else " + next
		}
		return fail(exitUsage, next, "no step of this order is done by hand in guest %q; nothing was touched", name)
	}
	return nil
}

// undoing gives the serials of the drives that rolling back would erase.
func undoing(report carry.Report) []string {
	var list []string
	for _, s := range report.Steps {
		if serial := s.About.UndoErases; serial != "" && s.Result == carry.Done && !slices.Contains(list, serial) {
			list = append(list, serial)
		}
	}
	return list
}
