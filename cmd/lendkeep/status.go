package main

import (
	"context"
	"fmt"
	"io"
	"strings"

	"github.com/spf13/cobra"

	"lendkeep/reconcile/assess"
	"lendkeep/reconcile/carry"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/guard"
	"lendkeep/reconcile/order"
	"lendkeep/spec/plain"
)

func statusCommand() *cobra.Command {
	var w where
	var asJSON, history, orders bool
	c := &cobra.Command{
		Use:   "status LAYOUT",
		Short: "Show where each controller is, and whether layout and host agree",
		Long: `Shows for each controller of the layout where it is now, which guests may borrow
it and who uses its drives; then whether the host is as the layout says, whether
starts are guarded and watched, and what became of the newest order. With
--history, which needs no layout, it shows instead who had which controller from
when to when, how each return went, and every alarm; with --orders, which needs
none either, every order that was carried out on this host, and its end. Where the
host is not as the layout says, it ends with exit code 1.`,
		Example: "  lendkeep status examples/larch\n  lendkeep status --history\n  lendkeep status --orders",
		Args: func(c *cobra.Command, arguments []string) error {
			if history || orders {
				return cobra.MaximumNArgs(1)(c, arguments)
			}
			return cobra.ExactArgs(1)(c, arguments)
		},
		RunE: func(c *cobra.Command, arguments []string) error {
			if history {
				return showHistory(c.OutOrStdout(), &w, asJSON)
			}
			if orders {
				return showOrders(c, &w, asJSON)
			}
			laid, findings, _, err := assessed(c, arguments[0], "", &w)
			if err != nil {
				return layoutAsJSON(c.OutOrStdout(), err, asJSON)
			}
			s := statusOf(laid, findings)
			last := advised(c, lastOrder(c.Context(), &w, laid.Facts.Survey.Machine.ID))
			s.LastOrder = last.text
			s.watched(&w)
			if asJSON {
				err = printJSON(c.OutOrStdout(), s)
			} else {
				err = printStatus(c.OutOrStdout(), s, calling(c, "check", arguments[0]), last)
			}
			if err != nil {
				return err
			}
			if !s.Agree {
				return failure{code: exitFindings}
			}
			return nil
		},
	}
	w.flags(c, true)
	c.Flags().BoolVar(&asJSON, "json", false, "print the status, history or orders as JSON (lendkeep help json)")
	c.Flags().BoolVar(&history, "history", false, "show the history of lends and alarms")
	c.Flags().BoolVar(&orders, "orders", false, "show which orders were carried out, and how each ended")
	c.MarkFlagsMutuallyExclusive("history", "orders")
	c.MarkFlagsMutuallyExclusive("history", "survey") // which has neither
	c.MarkFlagsMutuallyExclusive("orders", "survey")
	return c
}

type status struct {
	Version     version            `json:"version"`
	Host        string             `json:"host"`
	Controllers []controllerStatus `json:"controllers"`
	Guard       string             `json:"guard"`           // whether starts are checked, whoever starts a guest
	Watch       string             `json:"watch,omitempty"` // whether lends are watched; empty: a survey file does not tell
	Alarms      []string           `json:"alarms"`          // those that are not over
	Stops       int                `json:"stops"`
	Steps       []string           `json:"steps"`         // what an order would do
	Why         string             `json:"why,omitempty"` // why there is no order, although nothing stops one
	Agree       bool               `json:"agree"`
	LastOrder   string             `json:"last_order,omitempty"`
}

type controllerStatus struct {
	Name    string   `json:"name"`
	What    string   `json:"what"`
	Place   string   `json:"place"`
	With    string   `json:"with,omitempty"` // the guest that has it
	Borrows []string `json:"may_borrow"`
	Users   []string `json:"used_by"`
	Lacks   []string `json:"not_as_it_was,omitempty"` // what of it is not as the guard's rules saw it at home
	Last    string   `json:"last_event,omitempty"`    // of the history, with its time
}

func statusOf(c *assess.Case, findings []assess.Finding) status {
	s := status{Host: c.Layout.Host.Name, Guard: c.Facts.Survey.Guard.Condition(), Controllers: []controllerStatus{}, Alarms: []string{}, Steps: []string{}}
	outs := guard.Outs(c.Facts)
	rules, err := guard.Installed(c.Facts.Survey.Guard)
	if err != nil {
		rules = guard.Rules{} // the guard's own state is told
	}
	for i := range c.Layout.Controllers {
		s.Controllers = append(s.Controllers, controllerStatusOf(c, c.Found(c.Layout.Controllers[i].Name), outs, rules))
	}
	for _, f := range findings {
		if f.Severity == assess.Stop {
			s.Stops++
		}
	}
	if s.Stops > 0 {
		return s
	}
	planned, err := order.Plan(c, findings)
	if err != nil {
		s.Why = err.Error()
		return s
	}
	for _, w := range planned.Steps {
		s.Steps = append(s.Steps, w.Step.About().Does)
	}
	s.Agree = len(s.Steps) == 0
	return s
}

func controllerStatusOf(c *assess.Case, found assess.Found, outs map[facts.Address]guard.Out, rules guard.Rules) controllerStatus {
	s := controllerStatus{Name: found.Controller.Name, Place: string(found.Where), What: found.Why, Borrows: []string{}, Users: []string{}}
	for _, g := range c.Borrowers(found.Controller.Name) {
		s.Borrows = append(s.Borrows, g.Name)
	}
	if found.Holder != nil {
		s.With = found.Holder.Name
	}
	if found.Function == nil {
		return s
	}
	var titles []string
	for _, f := range found.Functions {
		titles = append(titles, titleAt(c.Facts, f.Address, outs))
		for _, use := range c.Uses(f.Address) {
			if use.Live {
				s.Users = append(s.Users, string(use.Kind)+" "+use.User)
			}
		}
	}
	s.What = strings.Join(titles, ", ")
	if found.Where == facts.Home {
		s.Lacks = lacksOf(c.Facts, found.Identity(), rules)
	}
	return s
}

// lacksOf tells what a controller at home does not show of what the rules have of it.
func lacksOf(ix *facts.Index, r facts.Identity, rules guard.Rules) []string {
	back := guard.AsShown(ix, r, rules.Saw(r))
	return append(back.Waits(), back.Wrong...)
}

// watched adds what the history says of now. Whoever may not read it is told so.
func (s *status) watched(w *where) {
	if w.survey != "" {
		return
	}
	h, err := historyOf(w)
	if err != nil {
		s.Watch = "not known: " + err.Error()
		return
	}
	s.Watch = "does not run"
	if h.Watching {
		s.Watch = "runs"
	}
	last := h.last()
	for i := range s.Controllers {
		if e, known := last[s.Controllers[i].Name]; known {
			s.Controllers[i].Last = stamp(e.At) + ", " + e.String()
		}
	}
	for _, e := range h.Alarms {
		s.Alarms = append(s.Alarms, e.Text)
	}
}

// lastOrder tells what became of the newest order of the host that is looked
// at, or of one that has not ended; a survey file has none.
func lastOrder(ctx context.Context, w *where, machine string) string {
	if w.survey != "" {
		return ""
	}
	past, err := readPast(w.keep(), machine)
	if err != nil {
		return "not known: " + err.Error()
	}
	_, report, found, err := past.current(ctx)
	switch {
	case err != nil:
		return "not known: " + err.Error()
	case !found:
		return ""
	case report.Ended == "":
		return fmt.Sprintf("order %s has not ended: lendkeep resume or lendkeep rollback", report.Sealed.Code())
	case report.Ended == carry.Stuck:
		return fmt.Sprintf("order %s is stuck: %s", report.Sealed.Code(), report.Note)
	default:
		return fmt.Sprintf("order %s was %s at %s", report.Sealed.Code(), report.Ended, stamp(report.Last))
	}
}

// printStatus shows it; check is the call that tells what stops an order.
func printStatus(w io.Writer, s status, check call, last advice) error {
	t := &text{w: w}
	rows := [][]string{{"controller", "where", "what", "may be borrowed by", "used by"}}
	for _, c := range s.Controllers {
		place := c.Place
		if c.With != "" && c.Place == string(facts.Lent) {
			place += " to " + c.With
		}
		rows = append(rows, []string{c.Name, place, c.What, orDash(strings.Join(c.Borrows, ", ")), orDash(strings.Join(c.Users, ", "))})
	}
	t.table(rows)
	t.line("")
	switch {
	case s.Stops > 0:
		t.line("Layout and host cannot be brought in line: %s against it. To see which: %s", plain.Count(s.Stops, "finding"), check)
	case s.Why != "":
		t.line("Layout and host cannot be brought in line, although no finding is against it: %s.", s.Why)
	case s.Agree:
		t.line("Host %s is as the layout says.", s.Host)
	default:
		t.line("Host %s is not as the layout says. The steps of an order for it:", s.Host)
		for n, does := range s.Steps {
			t.line("%4d  %s", n+1, does)
		}
	}
	t.line("Guard of starts: %s.", s.Guard)
	if s.Watch != "" {
		t.line("Watch: %s.", s.Watch)
	}
	for _, c := range s.Controllers {
		for _, lack := range c.Lacks {
			t.line("Not as it was: %s", lack)
		}
	}
	for _, c := range s.Controllers {
		if c.Last != "" {
			t.line("Last of %s: %s", c.Name, c.Last)
		}
	}
	for _, alarm := range s.Alarms {
		t.line("Alarm: %s", alarm)
	}
	if s.LastOrder != "" {
		t.line("Newest order: %s", last)
	}
	return t.err
}
