package main

import (
	"cmp"
	"io"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"lendkeep/cmd/lendkeep/screen"
	"lendkeep/reconcile/assess"
	"lendkeep/reconcile/definition"
	"lendkeep/reconcile/order"
	"lendkeep/reconcile/step"
)

func showCommand() *cobra.Command {
	var asJSON, xml bool
	c := &cobra.Command{
		Use:   "show ORDER",
		Short: "Show an order again, as plan showed it",
		Long: `Shows the order in file ORDER as plan did: its cautions, each step with its undo,
the code by which it is approved. Nothing is read off any host, and nothing is
changed; whether the order still fits the host, apply finds out. ORDER may be -,
which is standard input.`,
		Example: "  lendkeep show day.order\n  lendkeep show day.order --xml | less\n  lendkeep show day.order --json",
		Args:    cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, arguments []string) error {
			sealed, name, err := orderShown(c, arguments[0])
			if err != nil {
				return err
			}
			if asJSON {
				return printJSON(c.OutOrStdout(), plannedOf(nil, sealed.Order.Findings, &sealed, xml))
			}
			var carries call
			if name != "" {
				carries = calling(c, "apply", name, "--approve", sealed.Code())
			}
			return printOrder(c.OutOrStdout(), sealed, carries, xml)
		},
	}
	c.Flags().BoolVar(&asJSON, "json", false, "print the order as JSON (lendkeep help json)")
	c.Flags().BoolVar(&xml, "xml", false, "show the exact change of each definition")
	return c
}

// orderShown opens the order that is shown, and gives the name by which it can be
// carried out; empty: it comes from standard input.
func orderShown(c *cobra.Command, name string) (order.Sealed, string, error) {
	if name != standard {
		sealed, err := openOrder(name)
		return sealed, name, err
	}
	content, err := readIn(c, order.MaxBytes)
	if err != nil {
		return order.Sealed{}, "", fail(exitUsage, "", "%w", err)
	}
	sealed, err := orderIn(content, "standard input")
	return sealed, "", err
}

// printOrder shows an order; carries is what carries it out, empty where nothing is
// to be said of that.
func printOrder(w io.Writer, sealed order.Sealed, carries call, xml bool) error {
	t := &text{w: w}
	o := sealed.Order
	tally(t, o.Findings)
	for _, f := range o.Findings {
		if f.Severity == assess.Caution {
			printFinding(t, f)
		}
	}
	if len(o.Steps) == 0 {
		t.line("Host %s is as the layout says; there is nothing to do.", o.Host)
		return t.err
	}
	aim := ""
	if o.Shift != "" {
		aim = ", shift " + o.Shift
	}
	t.line("Order for host %s%s, on the facts of %s", o.Host, aim, stamp(o.SurveyedAt))
	t.line("")
	for n, s := range o.Steps {
		printStep(t, n+1, s, xml)
	}
	for _, d := range o.Downtimes() {
		t.line("%s", d)
	}
	t.line("All steps together take about %s.", round(o.Takes()))
	t.line("Approval code: %s", sealed.Code())
	if carries != "" {
		t.line("To carry it out: %s", carries)
	}
	return t.err
}

func printStep(t *text, n int, s step.Written, xml bool) {
	about := s.Step.About()
	t.line("%2d  %s", n, about.Does)
	t.line("      stated  %s", s.Why)
	if detailed, ok := s.Step.(step.Detailed); ok {
		for _, d := range detailed.Details() {
			t.line("      %-7s %s", d.Head, d.Text)
		}
	}
	t.line("      undo    %s", cmp.Or(about.Undoes, "nothing to undo"))
	t.line("      risk    %s, about %s", about.Risk, round(about.Takes))
	if define, ok := s.Step.(*step.DefineGuest); ok && xml {
		after, _, err := define.After()
		if err != nil {
			t.line("      %v", err)
		}
		for _, line := range definition.Difference(define.Before, after) {
			printChange(t, line)
		}
	}
	t.line("")
}

func printChange(t *text, line string) {
	for word, style := range map[string]screen.Style{definition.Was: screen.Was, definition.Becomes: screen.Becomes} {
		if rest, ok := strings.CutPrefix(line, word); ok {
			t.marked(style, "      "+word, "%s", rest)
			return
		}
	}
	t.line("      %s", line)
}

func round(d time.Duration) string { return d.Round(time.Second).String() }
