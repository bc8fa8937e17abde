package main

import (
	_ "embed"

	"github.com/spf13/cobra"

	"lendkeep/reconcile/assess"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/speed"
	"lendkeep/spec"
)

//go:embed manual/safety.md
var safety string

//go:embed manual/moving.md
var moving string

//go:embed manual/json.md
var shapes string

// topic is a page of the manual that is about no command: lendkeep help NAME shows
// it, and make man makes it lendkeep-NAME(section). Its text is Markdown, made when
// it is asked for.
type topic struct {
	name, section, short string
	text                 func() string
}

// page gives the command that shows it.
func (t topic) page() *cobra.Command {
	c := &cobra.Command{Use: t.name, Short: t.short}
	c.SetHelpFunc(func(c *cobra.Command, _ []string) { show(c, t.text()+"\n") })
	return c
}

func topics() []topic {
	return []topic{
		{"layout", "5", "The language in which layouts are written", spec.Manual},
		{"findings", "7", "What each finding means, and what to do", assess.Manual},
		{"safety", "7", "What is refused and why, whom lendkeep trusts, the guard, returns, recovery", func() string { return safety }},
		{"json", "5", "What --json prints, for programs that read it", func() string { return shapes }},
		{"survey-file", "5", "The fields of a survey file", facts.Manual},
		{"result-file", "5", "The fields of the file of a measurement's result", speed.Manual},
		{"moving", "7", "Moving a guest's system onto a drive that is lent, and starting it there", func() string { return moving }},
	}
}
