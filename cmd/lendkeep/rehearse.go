package main

import (
	"github.com/spf13/cobra"

	"lendkeep/providers/memory"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/rehearse"
)

func rehearseCommand() *cobra.Command {
	var survey string
	var asJSON, onTwin bool
	var twin twinning
	c := &cobra.Command{
		Use:   "rehearse ORDER",
		Short: "Carry an order out on a copy of the host, every failure included",
		Long: `Carries the order in file ORDER out on a host in memory that is made from a
survey: once through, where libvirt is installed with its test driver judging
every definition; then once for each way in which each call can fail, hang or be
cut off. Says how each case ended. No root and no hardware is needed, and nothing
on any host is changed.

With --twin it is carried out by a real kernel, udev, libvirt and guard instead: in
an emulated machine that is made from the survey, with the same functions, groups,
drives and guests as far as that goes. What it lacks is listed, with what that can
hide. The order is planned again there, from its layout, carried out, its guests
are ended, started and cut off, and it is rolled back. Then lendkeep is killed, the
plug is pulled, what is lent is unplugged and a card put in front of all others.
Where the kernel does otherwise than memory, that is told. Needed are QEMU, 4 GB of
memory and some minutes; no root, and no drive of this machine is touched. --every
kills and pulls at each step, --no-trials leaves out what comes after the rollback,
which is most of the time, and --keep gives a shell in the twin in the end. What
--json prints can be drawn: lendkeep draw LAYOUT --rehearsal FILE.`,
		Example: "  lendkeep rehearse day.order --survey larch.survey.json\n  lendkeep rehearse day.order --survey larch.survey.json --twin",
		Args:    cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, arguments []string) error {
			if !onTwin && (twin.layout != "" || twin.keep || twin.every || twin.bare) {
				return fail(exitUsage, "add --twin, or leave them out", "--layout, --every, --no-trials and --keep need --twin")
			}
			sealed, err := openOrder(arguments[0])
			if err != nil {
				return err
			}
			host, err := readSurvey(survey)
			if err != nil {
				return err
			}
			if err := unchanged(sealed, facts.NewIndex(&host)); err != nil {
				return err
			}
			if onTwin {
				twin.json = asJSON
				return twin.rehearse(c, sealed, host)
			}
			judge, closeJudge := openJudge(c.Context())
			defer closeJudge()
			r := rehearse.Rehearsal{Host: memory.Rehearse, Sealed: sealed, Survey: host, Judge: judge}
			told := newProgress(c.ErrOrStderr())
			r.Watch = func(done, calls int) { told.counted("calls rehearsed", done, calls) }
			report, err := r.Run(c.Context())
			told.end()
			if err != nil {
				return err
			}
			if err := printRehearsal(c.OutOrStdout(), sealed, report, asJSON); err != nil {
				return err
			}
			if !report.Good() {
				return fail(exitFindings, "do not apply this order", "not every case ended well")
			}
			return nil
		},
	}
	c.Flags().StringVar(&survey, "survey", "", "the survey `FILE` of the host that the order is for")
	c.Flags().BoolVar(&asJSON, "json", false, "print every case, with --twin what came of it, as JSON")
	c.Flags().BoolVar(&onTwin, "twin", false, "carry it out in an emulated machine made from the survey")
	c.Flags().StringVar(&twin.layout, "layout", "", "with --twin: the `LAYOUT` that the order was written from, where it is not where it was")
	c.Flags().BoolVar(&twin.every, "every", false, "with --twin: kill lendkeep and pull the plug at every step, not at a few")
	c.Flags().BoolVar(&twin.bare, "no-trials", false, "with --twin: carry the order out and undo it, and try nothing else")
	c.Flags().BoolVar(&twin.keep, "keep", false, "with --twin: give a shell in the machine in the end; leaving it switches it off")
	c.MarkFlagsMutuallyExclusive("keep", "json")
	c.MarkFlagsMutuallyExclusive("every", "no-trials")
	_ = c.MarkFlagRequired("survey") // the flag is there, a few lines above
	return c
}
