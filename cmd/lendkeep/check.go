package main

import (
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
cautions; notes. Nothing on the host is changed.

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
