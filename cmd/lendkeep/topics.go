package main

import (
	_ "embed"

	"lendkeep/reconcile/assess"
	"lendkeep/reconcile/facts"
	"lendkeep/spec"
)

//go:embed manual/safety.md
var safety string

//go:embed manual/moving.md
var moving string

//go:embed manual/json.md
var shapes string

// topic is a page of the manual that is about no command: lendkeep help NAME shows
// it, and make man makes it lendkeep-NAME(section). Its text is Markdown.
type topic struct{ name, section, short, text string }

func topics() []topic {
	return []topic{
		{"layout", "5", "The language in which layouts are written", spec.Manual()},
		{"findings", "7", "What each finding means, and what to do", assess.Manual()},
		{"safety", "7", "What is refused and why, whom lendkeep trusts, the guard, returns, recovery", safety},
		{"json", "5", "What --json prints, for programs that read it", shapes},
		{"survey-file", "5", "The fields of a survey file", facts.Manual()},
		{"moving", "7", "Moving a guest's system onto a drive that is lent, and starting it there", moving},
	}
}
