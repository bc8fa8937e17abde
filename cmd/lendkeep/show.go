package main

import (
	"github.com/spf13/cobra"

	"lendkeep/reconcile/order"
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
			call := ""
			if name != "" {
				call = calling(c, "apply", name, "--approve", sealed.Code())
			}
			return printOrder(c.OutOrStdout(), sealed, call, xml)
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
