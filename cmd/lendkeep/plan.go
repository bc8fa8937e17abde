package main

import (
	"github.com/spf13/cobra"

	"lendkeep/reconcile/assess"
	"lendkeep/reconcile/order"
	"lendkeep/spec"
)

// planning is what plan was asked for, and what it has found so far.
type planning struct {
	where       where
	shift, out  string
	asJSON, xml bool
	diagnostics spec.Diagnostics
	findings    []assess.Finding
}

func planCommand() *cobra.Command {
	var p planning
	c := &cobra.Command{
		Use:   "plan LAYOUT",
		Short: "Write the order that takes the host to the layout",
		Long: `Holds the layout against the host, or against a survey, and writes the order:
which steps in which sequence, why, what each means for the guests and how it is
undone. Findings that stop it are printed instead. Nothing on the host is changed.
A running guest whose system moves to a drive is asked about it by its agent, which
only reads there.

With --shift the guests of that shift are to run and those of other shifts not.
Guests in no shift, and all guests without --shift, stay on or off as they are.`,
		Example: "  lendkeep plan examples/larch --shift day -o day.order\n  lendkeep plan examples/larch --shift day -o - | lendkeep show - --xml",
		Args:    cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, arguments []string) error {
			if p.asJSON && p.out == standard {
				return fail(exitUsage, "take one of them: --json shows the order in words, -o - is the order file itself", "--json and -o - both want standard output")
			}
			laid, findings, diagnostics, err := assessed(c, arguments[0], p.shift, &p.where)
			if err != nil {
				return layoutAsJSON(c.OutOrStdout(), err, p.asJSON)
			}
			p.findings, p.diagnostics = findings, diagnostics
			if assess.Stops(findings) {
				return p.stopped(c)
			}
			written, err := order.Plan(laid, findings)
			if err != nil {
				return fail(exitFindings, "", "%w", err)
			}
			sealed, err := order.Seal(written)
			if err != nil {
				return err
			}
			return p.written(c, sealed)
		},
	}
	p.where.flags(c, true)
	c.Flags().StringVar(&p.shift, "shift", "", "have the guests of this `SHIFT` run, and those of other shifts not")
	c.Flags().StringVarP(&p.out, "output", "o", "", "write the order to this `FILE`, for show, rehearse and apply; -, instead of showing it, to standard output")
	toStandard(c, "output")
	c.Flags().BoolVar(&p.asJSON, "json", false, "print the order in words as JSON (lendkeep help json)")
	c.Flags().BoolVar(&p.xml, "xml", false, "show the exact change of each definition")
	return c
}

// stopped tells what stops an order. Standard output is the order's where that was
// asked for.
func (p planning) stopped(c *cobra.Command) error {
	removed, err := removeOld(p.out)
	if err != nil {
		return err
	}
	w := c.OutOrStdout()
	if p.out == standard {
		w = c.ErrOrStderr()
	}
	if p.asJSON {
		err = printJSON(w, plannedOf(p.diagnostics, p.findings, nil, false))
	} else {
		err = printCheck(w, p.diagnostics, p.findings, false)
	}
	if err == nil {
		err = p.told(c, removed)
	}
	if err != nil {
		return err
	}
	return failure{code: exitFindings}
}

// written puts an order where it was asked for, and shows it. One without steps is
// none to carry out.
func (p planning) written(c *cobra.Command, sealed order.Sealed) (err error) {
	var carries call
	removed, none := "", len(sealed.Order.Steps) == 0
	switch {
	case none:
		removed, err = removeOld(p.out)
	case p.out != "":
		carries, err = calling(c, "apply", p.out, "--approve", sealed.Code()), writeOut(c, p.out, sealed.File())
	}
	switch {
	case err != nil:
	case p.out == standard && none:
		err = printOrder(c.ErrOrStderr(), sealed, "", false)
	case p.out == standard:
	case p.asJSON:
		err = printJSON(c.OutOrStdout(), plannedOf(p.diagnostics, p.findings, &sealed, p.xml))
	default:
		err = printOrder(c.OutOrStdout(), sealed, carries, p.xml)
	}
	if err != nil {
		return err
	}
	return p.told(c, removed)
}

// told tells what became of an old order; nothing, where there was none.
func (p planning) told(c *cobra.Command, removed string) error {
	t := &text{w: c.OutOrStdout()}
	if p.asJSON {
		t.w = c.ErrOrStderr()
	}
	if removed != "" {
		t.line("%s", removed)
	}
	return t.err
}
