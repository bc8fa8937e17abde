package main

import (
	"fmt"
	"strings"
	"text/tabwriter"

	"lendkeep/reconcile/speed"
)

// table shows a result to people, as lendkeep shows it beside others.
func table(r speed.Result) (string, error) {
	c, err := speed.Compare([]speed.Result{r})
	if err != nil {
		return "", err
	}
	var b strings.Builder
	w := tabwriter.NewWriter(&b, 0, 0, 2, ' ', 0)
	for _, line := range c.Table() {
		fmt.Fprintln(w, strings.Join(append(line[:1:1], line[2:]...), "\t")) // there is one result only
	}
	if err := w.Flush(); err != nil {
		return "", err
	}
	for _, caution := range c.Columns[0].Cautions {
		fmt.Fprintf(&b, "Note: %s.\n", caution)
	}
	return b.String(), nil
}
