package main

import (
	"io"
	"time"

	"github.com/spf13/cobra"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/since"
)

// changed is what survey --since prints.
type changed struct {
	Version version        `json:"version"`
	Since   time.Time      `json:"since"` // when the older survey was taken
	Changes []since.Change `json:"changes"`
}

// printSince tells what has changed since an older survey, and with a layout what
// that touches.
func printSince(c *cobra.Command, file, layout string, survey facts.Survey, asJSON bool) error {
	older, err := readSurvey(file)
	if err != nil {
		return err
	}
	was, is := facts.NewIndex(&older), facts.NewIndex(&survey)
	told := changed{Since: older.TakenAt, Changes: listed(since.Changes(was, is))}
	if layout != "" {
		stated, diagnostics := loadFor(layout, survey.Machine)
		if diagnostics.HasErrors() {
			return layoutAsJSON(c.OutOrStdout(), diagnostics, asJSON)
		}
		since.Touch(told.Changes, stated, was, is)
	}
	if asJSON {
		return printJSON(c.OutOrStdout(), told)
	}
	return printChanges(c.OutOrStdout(), told, layout != "")
}

func printChanges(w io.Writer, told changed, withLayout bool) error {
	t := &text{w: w}
	if len(told.Changes) == 0 {
		t.line("Nothing has changed since %s.", stamp(told.Since))
		return t.err
	}
	t.line("Since %s:", stamp(told.Since))
	for _, change := range told.Changes {
		t.line("- %s", change.Text)
		for _, statement := range change.Touches {
			t.line("   stated  %s, %s", statement.What, statement.At)
		}
		if withLayout && len(change.Touches) == 0 {
			t.line("   stated  nothing of it")
		}
	}
	return t.err
}
