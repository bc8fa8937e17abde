package main

import (
	"bytes"
	"io"
	"strings"

	"github.com/spf13/cobra"

	"lendkeep/cmd/lendkeep/screen"
	"lendkeep/reconcile/assess"
	"lendkeep/reconcile/facts"
	"lendkeep/spec"
)

func checkCommand() *cobra.Command {
	var w where
	var shift, explain string
	var asJSON bool
	c := &cobra.Command{
		Use:   "check LAYOUT",
		Short: "Tell what is wrong, dangerous or worth knowing",
		Long: `Holds the layout in directory LAYOUT against the host, or against a survey,
and prints what it finds: stops, which keep any order from being written;
cautions; notes. Nothing on the host is changed. A running guest whose system
moves to a drive is asked about it by its agent, which only reads there.

With --explain, which needs no layout, it tells what a finding means and what to
do, or what a block or attribute of the layout language is for.`,
		Example: "  lendkeep check examples/larch --survey larch.survey.json\n  lendkeep check --explain host-use\n  lendkeep check --explain copy_of",
		Args:    cobra.MaximumNArgs(1),
		RunE: func(c *cobra.Command, arguments []string) error {
			if explain != "" {
				text, err := explained(explain)
				if err != nil {
					return err
				}
				return screen.On(c.OutOrStdout()).Prose(text)
			}
			if len(arguments) == 0 {
				return fail(exitUsage, "lendkeep check LAYOUT", "name the layout's directory")
			}
			_, findings, diagnostics, err := assessed(c, arguments[0], shift, &w)
			if err != nil {
				return layoutAsJSON(c.OutOrStdout(), err, asJSON)
			}
			if err := printCheck(c.OutOrStdout(), diagnostics, findings, asJSON); err != nil {
				return err
			}
			if assess.Stops(findings) {
				return failure{code: exitFindings}
			}
			return nil
		},
	}
	w.flags(c, true)
	c.Flags().StringVar(&shift, "shift", "", "check as for a plan of this `SHIFT`")
	c.Flags().BoolVar(&asJSON, "json", false, "print the findings, and what is wrong with the layout, as JSON (lendkeep help json)")
	c.Flags().StringVar(&explain, "explain", "", "explain this finding, block or attribute (`WORD`) and end")
	return c
}

// explained tells of a finding and of words of the layout language; some names
// are both.
func explained(name string) (string, error) {
	finding, isFinding := assess.Explain(name)
	word, isWord := spec.Explain(name)
	switch {
	case isFinding && isWord:
		return "Finding " + finding + "\n" + word, nil
	case isFinding, isWord:
		return finding + word, nil
	default:
		next := "lendkeep help layout describes the blocks and attributes"
		if near := spec.Nearest(name, append(assess.Names(), spec.Words()...)); near != "" {
			next = "did you mean lendkeep check --explain " + near + "? " + next
		}
		return "", fail(exitUsage, next, "explain %q: it is no block or attribute, and no finding: %s", name, strings.Join(assess.Names(), ", "))
	}
}

// assessed loads a layout, reads the facts and runs every check.
func assessed(c *cobra.Command, dir, shift string, w *where) (*assess.Case, []assess.Finding, spec.Diagnostics, error) {
	w.progress = newProgress(c.ErrOrStderr())
	layout, survey, diagnostics, err := layoutOf(c.Context(), dir, w)
	if err != nil {
		return nil, nil, nil, err
	}
	aim, err := shiftOf(layout, shift)
	if err != nil {
		return nil, nil, nil, err
	}
	laid := assess.NewCase(layout, facts.NewIndex(&survey), aim)
	return laid, assess.Assess(laid), diagnostics, nil
}

func printCheck(w io.Writer, diagnostics spec.Diagnostics, findings []assess.Finding, asJSON bool) error {
	if asJSON {
		return printJSON(w, checkedOf(diagnostics, findings))
	}
	if err := printDiagnostics(w, diagnostics); err != nil {
		return err
	}
	t := &text{w: w}
	tally(t, findings)
	for _, f := range findings {
		printFinding(t, f)
	}
	switch {
	case len(findings) == 0:
		t.line("Nothing speaks against this layout.")
	case assess.Stops(findings):
		t.line("No order is written while something stops it.")
	default:
		t.line("Nothing stops an order.")
	}
	return t.err
}

func printDiagnostics(w io.Writer, diagnostics spec.Diagnostics) error {
	var text bytes.Buffer
	s := screen.On(w)
	if err := diagnostics.Print(&text, s.Width(), s.Clean); err != nil {
		return err
	}
	return s.Prose(text.String())
}

// severities say how each severity is drawn.
var severities = map[assess.Severity]screen.Style{assess.Stop: screen.Stop, assess.Caution: screen.Caution, assess.Note: screen.Note}

// tally is the head line over findings.
func tally(t *text, findings []assess.Finding) {
	if len(findings) == 0 {
		return
	}
	numbers := map[assess.Severity]int{}
	for _, f := range findings {
		numbers[f.Severity]++
	}
	t.line("Found: %s, %s, %s.", count(numbers[assess.Stop], "stop"), count(numbers[assess.Caution], "caution"), count(numbers[assess.Note], "note"))
	t.line("")
}

func printFinding(t *text, f assess.Finding) {
	t.marked(severities[f.Severity], string(f.Severity), ": %s", f.Summary)
	t.line("   stated  %s", f.At)
	t.line("   why     %s", f.Detail)
	for _, cause := range f.Causes {
		t.line("   seen    %s: %s", cause.Path, cause.Value)
	}
	for _, remedy := range f.Remedies {
		t.line("   do      %s", remedy)
	}
	t.line("   more    lendkeep check --explain %s", f.Check)
	t.line("")
}
