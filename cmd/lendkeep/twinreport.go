package main

import (
	"errors"
	"os"

	"github.com/spf13/cobra"

	"lendkeep/providers/emulated"
	anew "lendkeep/reconcile/again"
	"lendkeep/spec/plain"
)

// twinned is what rehearse --twin --json prints.
type twinned struct {
	Version version `json:"version"`
	anew.Report
}

// complete completes the report.
func (t *trial) complete(failed error) {
	r := &t.report
	list := func(texts []string) []string { return append([]string{}, texts...) }
	r.Otherwise, r.Left, r.Differences, r.Untried, r.Steps = list(t.otherwise), list(t.left), list(t.differences), list(texts(t.untried)), list(texts(t.steps))
	if failed != nil && !errors.Is(failed, errDiffers) {
		r.Failed = failed.Error()
	}
	r.Good = r.AsInMemory()
}

// printForetold says what is needed, what will be made, and what of the host it lacks.
func printForetold(o *text, r anew.Report) error {
	o.line("Rehearsal of order %s for host %s, on a twin of it: a machine made from the survey", r.Order, r.Host)
	o.line("")
	o.prose(`It needs QEMU, 4 GB of memory, 2 GB of disk below the cache and some minutes (KVM
is used where it is there); the first time also Debian's packages, which apt
fetches for its image. No root, no network while it runs, and no drive of this
machine is touched.
`)
	o.line("")
	o.line("%s of %d keep their addresses.", plain.Count(r.Functions-len(r.Moved), "function"), r.Functions)
	if len(r.Moved) > 0 {
		rows := [][]string{{"on the host", "on the twin", "what"}}
		for _, m := range r.Moved {
			rows = append(rows, []string{m.Host, m.Twin, m.What})
		}
		o.table(rows)
	}
	o.line("")
	printList(o, "Not like the host, and what that can hide:", r.Unlike)
	o.line("")
	return o.err
}

// printEnd says what was not tried, and what differs.
func printEnd(o *text, r anew.Report) error {
	for _, l := range r.Lists() {
		o.line("")
		printList(o, l.Head+":", l.Lines)
	}
	o.line("")
	o.line("%s", r.Sentence())
	return o.err
}

func printList(o *text, head string, lines []string) {
	o.line("%s", head)
	for _, line := range lines {
		o.line("  %s", line)
	}
}

func texts(list []anew.Difference) []string {
	var all []string
	for _, d := range list {
		all = append(all, d.String())
	}
	return all
}

// prompt gives a person a shell in the twin until it is left.
func prompt(c *cobra.Command, host *emulated.Host) error {
	t := &text{w: c.OutOrStdout()}
	t.line("A shell in the twin; leaving it switches the twin off.")
	if t.err != nil {
		return t.err
	}
	return host.Attach(c.Context(), c.InOrStdin(), os.Stdout)
}
