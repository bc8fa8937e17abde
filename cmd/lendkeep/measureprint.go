package main

import (
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"lendkeep/cmd/lendkeep/screen"
	"lendkeep/reconcile/speed"
)

// printResult shows one result, and what to do with it.
func printResult(c *cobra.Command, name string, r speed.Result) error {
	shown, err := speed.Compare([]speed.Result{r})
	if err != nil {
		return err
	}
	t := &text{w: c.OutOrStdout()}
	printTargets(t, shown)
	section(t, "", shown.Table())
	printCautions(t, shown)
	t.line("Written to %s.", name)
	t.line("To compare it with another one: %s", calling(c, "measure", "--compare", name, "OTHER.json"))
	return t.err
}

// printCompared shows results beside each other.
func printCompared(c *cobra.Command, shown speed.Comparison) error {
	t := &text{w: c.OutOrStdout()}
	printTargets(t, shown)
	section(t, "", shown.Table())
	section(t, "Beside each other:", shown.Ratios())
	t.line("%s", shown.Rule())
	t.line("")
	section(t, "How far they may be held against each other:", shown.Likenesses())
	section(t, "In what they differ, or may:", shown.Differences())
	section(t, "What others cost:", shown.Costs())
	printCautions(t, shown)
	printChart(t, shown.Chart())
	return t.err
}

// printTargets says of each result what was measured.
func printTargets(t *text, c speed.Comparison) {
	for _, column := range c.Columns {
		t.line("%s: %s", column.Name, targetOf(column.Result))
	}
	t.line("")
}

// targetOf says what was measured.
func targetOf(r speed.Result) string {
	drive := strings.TrimSpace(r.Target.Drive.Model + " " + r.Target.Drive.Serial)
	if drive == "" {
		drive = "a drive that does not say which it is"
	}
	where := "on the host"
	switch {
	case r.Host != nil && r.Host.Guest != "":
		where = "in guest " + r.Host.Guest
	case r.Place.Side != speed.OnHost:
		where = "in a guest"
	}
	return fmt.Sprintf("%s %s %s, on %s, driver %s", r.Target.Form, r.Target.Path, where, drive, orDash(r.Target.Driver))
}

// section prints a table that has more than its head, and a heading above it.
func section(t *text, heading string, table [][]string) {
	if len(table) < 2 {
		return
	}
	if heading != "" {
		t.line("%s", heading)
	}
	t.table(table)
	t.line("")
}

// printCautions tells what the links to each drive carry, and what a reader of the
// figures must know.
func printCautions(t *text, c speed.Comparison) {
	section(t, "", c.Ceilings())
	for _, column := range c.Columns {
		for _, caution := range column.Cautions {
			t.line("%s: %s.", column.Name, caution)
		}
	}
	t.line("")
}

// printChart draws with letters.
func printChart(t *text, c speed.Chart) {
	width := screen.On(t.w).Width()
	for _, panel := range c.Panels {
		for _, line := range panel.Lines(width) {
			t.line("%s", line)
		}
		t.line("")
	}
	t.line("%s", speed.LegendOfLines)
}
