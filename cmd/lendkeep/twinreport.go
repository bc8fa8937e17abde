package main

import (
	"os"

	"github.com/spf13/cobra"

	"lendkeep/providers/emulated"
	anew "lendkeep/reconcile/again"
	"lendkeep/spec/plain"
)

// report is the end of a rehearsal on a twin: what was not tried, and what differs.
func (t *trial) report() error {
	o := t.out
	list := func(head string, lines []string) {
		if len(lines) == 0 {
			return
		}
		o.line("")
		o.line("%s", head)
		for _, line := range lines {
			o.line("  %s", line)
		}
	}
	list("What the layout states otherwise there, since the twin lacks it:", t.otherwise)
	list("Not tried, since the twin has nothing for it:", texts(t.untried))
	list("Steps of one order alone:", texts(t.steps))
	list("Rolled back after its guests had ended, the host is not as before; in memory neither:", t.left)
	list("Differences:", t.differences)
	o.line("")
	switch {
	case len(t.differences)+len(t.steps) > 0:
		o.line("%s between kernel and memory, %s that only one of the orders has.", count(len(t.differences), "difference"), plain.Count(len(t.steps), "step"))
	case len(t.untried) > 0:
		o.line("What was tried of the order was carried out by a real kernel and libvirt, as it was in memory, and undone; %s of it could not be tried.", plain.Count(len(t.untried), "part"))
	default:
		o.line("All of the order was carried out by a real kernel and libvirt, as it was in memory, and undone.")
	}
	return o.err
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
