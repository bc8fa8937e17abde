package main

import (
	"github.com/spf13/cobra"

	"lendkeep/reconcile/assess"
	"lendkeep/reconcile/order"
	"lendkeep/spec"
)

func planCommand() *cobra.Command {
	var w where
	var shift, out string
	var asJSON, xml bool
	c := &cobra.Command{
		Use:   "plan LAYOUT",
		Short: "Write the order that takes the host to the layout",
		Long: `Holds the layout against the host, or against a survey, and writes the order:
which steps in which sequence, why, what each means for the guests and how it is
undone. Findings that stop it are printed instead. Nothing on the host is changed.

With --shift the guests of that shift are to run and those of other shifts not.
Guests in no shift, and all guests without --shift, stay on or off as they are.`,
		Example: "  lendkeep plan examples/larch --shift day -o day.order\n  lendkeep plan examples/larch --shift day -o - | lendkeep show - --xml",
		Args:    cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, arguments []string) error {
			if asJSON && out == standard {
				return fail(exitUsage, "take one of them: --json shows the order in words, -o - is the order file itself", "--json and -o - both want standard output")
			}
			laid, findings, diagnostics, err := assessed(c, arguments[0], shift, &w)
			if err != nil {
				return layoutAsJSON(c.OutOrStdout(), err, asJSON)
			}
			if assess.Stops(findings) {
				return stopped(c, diagnostics, findings, out, asJSON)
			}
			written, err := order.Plan(laid, findings)
			if err != nil {
				return fail(exitFindings, "", "%w", err)
			}
			sealed, err := order.Seal(written)
			if err != nil {
				return err
			}
			call, removed := "", ""
			switch {
			case out == "":
			case len(written.Steps) > 0:
				call, err = calling(c, "apply", out, "--approve", sealed.Code()), writeOut(c, out, sealed.File())
			case out != standard:
				removed, err = removeOld(out)
			}
			if err != nil {
				return err
			}
			switch {
			case out == standard && len(written.Steps) == 0:
				return printOrder(c.ErrOrStderr(), sealed, "", false)
			case out == standard:
				return nil
			case asJSON:
				return printJSON(c.OutOrStdout(), plannedOf(diagnostics, findings, &sealed, xml))
			}
			if err := printOrder(c.OutOrStdout(), sealed, call, xml); err != nil || removed == "" {
				return err
			}
			t := &text{w: c.OutOrStdout()}
			t.line("%s", removed)
			return t.err
		},
	}
	w.flags(c, true)
	c.Flags().StringVar(&shift, "shift", "", "have the guests of this `SHIFT` run, and those of other shifts not")
	c.Flags().StringVarP(&out, "output", "o", "", "write the order to this `FILE`, for show, rehearse and apply; -, instead of showing it, to standard output")
	c.Flags().BoolVar(&asJSON, "json", false, "print the order in words as JSON (lendkeep help json)")
	c.Flags().BoolVar(&xml, "xml", false, "show the exact change of each definition")
	return c
}

// stopped tells what stops an order. Standard output is the order's where that was
// asked for.
func stopped(c *cobra.Command, diagnostics spec.Diagnostics, findings []assess.Finding, out string, asJSON bool) error {
	w := c.OutOrStdout()
	if out == standard {
		w = c.ErrOrStderr()
	}
	var err error
	if asJSON {
		err = printJSON(w, plannedOf(diagnostics, findings, nil, false))
	} else {
		err = printCheck(w, diagnostics, findings, false)
	}
	if err != nil {
		return err
	}
	return failure{code: exitFindings}
}
