package again

import (
	"fmt"

	"lendkeep/spec/plain"
)

// Report is what a rehearsal on a twin found. Texts are sentences for people.
type Report struct {
	Order string `json:"order"` // its approval code
	Host  string `json:"host"`
	Shift string `json:"shift,omitempty"`
	Good  bool   `json:"good"` // AsInMemory, for programs
	// Failed is why it did not come to its end; empty: it did, or a difference ended it.
	Failed    string    `json:"failed,omitempty"`
	Functions int       `json:"functions"` // PCI functions of the host
	Moved     []Moved   `json:"moved"`     // those that have another address on the twin
	Unlike    []string  `json:"unlike"`    // what of the host the twin does not have, and what that can hide
	Otherwise []string  `json:"otherwise"` // what the layout states otherwise there
	Stages    []Outcome `json:"stages"`
	Trials    []Outcome `json:"trials"` // of the order being cut off, and the host changing under it
	// Untried are parts of the order for which the twin has nothing, Steps the others that
	// only one of the two orders has.
	Untried     []string `json:"untried"`
	Steps       []string `json:"steps"`
	Left        []string `json:"left"`        // what is not as before after the rollback, in memory neither
	Differences []string `json:"differences"` // between the kernel and memory
}

// Moved is a function of the host with its address on the twin.
type Moved struct {
	Host string `json:"host"`
	Twin string `json:"twin"`
	What string `json:"what"`
}

// Outcome is what came of a stage or a trial.
type Outcome struct {
	Name        string `json:"name"`
	Said        string `json:"said"` // in a few words
	Seconds     int    `json:"seconds"`
	Differences int    `json:"differences"`
}

// Empty gives a report of nothing yet, in which every list is one.
func Empty() Report {
	return Report{Moved: []Moved{}, Unlike: []string{}, Otherwise: []string{}, Stages: []Outcome{}, Trials: []Outcome{}, Untried: []string{}, Steps: []string{}, Left: []string{}, Differences: []string{}}
}

// List is a part of the report with its heading.
type List struct {
	Head  string
	Lines []string
}

// Lists gives what is told at the end, without what is empty.
func (r Report) Lists() []List {
	var list []List
	for _, l := range []List{
		{"What the layout states otherwise there, since the twin lacks it", r.Otherwise},
		{"Not tried, since the twin has nothing for it", r.Untried},
		{"Steps of one order alone", r.Steps},
		{"Rolled back after its guests had ended, the host is not as before; in memory neither", r.Left},
		{"Differences", r.Differences},
	} {
		if len(l.Lines) > 0 {
			list = append(list, l)
		}
	}
	return list
}

// AsInMemory tells whether it came to its end, and all that was tried went as in memory.
func (r Report) AsInMemory() bool { return r.Failed == "" && len(r.Differences)+len(r.Steps) == 0 }

// Sentence says how it ended.
func (r Report) Sentence() string {
	switch {
	case r.Failed != "":
		return "It did not come to its end: " + r.Failed
	case !r.AsInMemory():
		return fmt.Sprintf("%s between kernel and memory, %s that only one of the orders has.", plain.Count(len(r.Differences), "difference"), plain.Count(len(r.Steps), "step"))
	case len(r.Untried) > 0:
		return fmt.Sprintf("What was tried of the order was carried out by a real kernel and libvirt, as it was in memory, and undone; %s of it could not be tried.", plain.Count(len(r.Untried), "part"))
	default:
		return "All of the order was carried out by a real kernel and libvirt, as it was in memory, and undone."
	}
}
