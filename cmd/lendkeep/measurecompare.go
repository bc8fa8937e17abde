package main

import (
	"github.com/spf13/cobra"

	"lendkeep/providers/chart"
	"lendkeep/providers/files"
	"lendkeep/reconcile/speed"
)

// compared compares results.
func (m *measuring) compared(c *cobra.Command, names []string) error {
	if len(names) < 2 {
		return fail(exitUsage, "lendkeep measure --compare BEFORE.json AFTER.json", "--compare takes two results or more; here %s", present(names))
	}
	var list []speed.Result
	for _, name := range names {
		r, err := readResult(name)
		if err != nil {
			return err
		}
		list = append(list, r)
	}
	shown, err := speed.Compare(list)
	if err != nil {
		return fail(exitUsage, "name two results or more, each once", "%w", err)
	}
	if m.svg != "" {
		drawn, err := chart.SVG(shown.Chart())
		if err == nil {
			err = files.Write(m.svg, drawn, 0o644)
		}
		if err != nil {
			return fail(exitUsage, "", "draw the chart: %w", err)
		}
	}
	if m.asJSON {
		return printJSON(c.OutOrStdout(), comparedOf(shown))
	}
	return printCompared(c, shown)
}
