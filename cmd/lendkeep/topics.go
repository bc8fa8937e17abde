package main

import (
	_ "embed"

	"lendkeep/reconcile/assess"
	"lendkeep/spec"
)

//go:embed manual/safety.md
var safety string

//go:embed manual/moving.md
var moving string

// topic is a page of the manual that is about no command: lendkeep help NAME shows
// it, and make man makes it lendkeep-NAME(section). Its text is Markdown.
type topic struct{ name, section, short, text string }

func topics() []topic {
	return []topic{
		{"layout", "5", "The language in which layouts are written", spec.Manual()},
		{"findings", "7", "What each finding means, and what to do", assess.Manual()},
		{"safety", "7", "What is refused and why, whom lendkeep trusts, the guard, returns, recovery", safety},
		{"moving", "7", "Moving a guest's system onto a drive that is lent, and starting it there", moving},
	}
}
