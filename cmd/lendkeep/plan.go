package main

import (
	"github.com/spf13/cobra"

	"lendkeep/reconcile/assess"
	"lendkeep/reconcile/order"
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
		Example: "  lendkeep plan examples/larch --shift day -o day.order",
		Args:    cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, arguments []string) error {
			laid, findings, diagnostics, err := assessed(c, arguments[0], shift, &w)
			if err != nil {
				return err
			}
			if assess.Stops(findings) {
				if err := printCheck(c.OutOrStdout(), diagnostics, findings, asJSON); err != nil {
					return err
				}
				return failure{code: exitFindings}
			}
			written, err := order.Plan(laid, findings)
			if err != nil {
				return fail(exitFindings, "", "%w", err)
			}
			sealed, err := order.Seal(written)
			if err != nil {
				return err
			}
			if out != "" && len(written.Steps) > 0 {
				if err := writeFile(out, sealed.File()); err != nil {
					return err
				}
			}
			if asJSON {
				_, err := c.OutOrStdout().Write(sealed.File())
				return err
			}
			return printOrder(c.OutOrStdout(), sealed, out, xml)
		},
	}
	w.flags(c, true)
	c.Flags().StringVar(&shift, "shift", "", "have the guests of this `SHIFT` run, and those of other shifts not")
	c.Flags().StringVarP(&out, "output", "o", "", "write the order to this `FILE`, for rehearse and apply")
	c.Flags().BoolVar(&asJSON, "json", false, "print the order file itself")
	c.Flags().BoolVar(&xml, "xml", false, "show the exact change of each definition")
	return c
}
