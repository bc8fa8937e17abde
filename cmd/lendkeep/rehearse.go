package main

import (
	"github.com/spf13/cobra"

	"lendkeep/providers/memory"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/rehearse"
)

func rehearseCommand() *cobra.Command {
	var survey string
	var asJSON bool
	c := &cobra.Command{
		Use:   "rehearse ORDER",
		Short: "Carry an order out on a copy of the host, every failure included",
		Long: `Carries the order in file ORDER out on a host in memory that is made from a
survey: once through, where libvirt is installed with its test driver judging
every definition; then once for each way in which each call can fail, hang or be
cut off. Says how each case ended. No root and no hardware is needed, and nothing
on any host is changed.`,
		Example: "  lendkeep rehearse day.order --survey larch.survey.json",
		Args:    cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, arguments []string) error {
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
	c.Flags().BoolVar(&asJSON, "json", false, "print every case as JSON")
	_ = c.MarkFlagRequired("survey") // the flag is there, two lines above
	return c
}
