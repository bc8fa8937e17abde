// Package watch decides, from a host's facts, the guard's rules and what the
// history says, what has happened to lent controllers since the last look:
// which were lent, which came back and how, and what is wrong. It is pure; the
// service that looks and writes the history acts on it. Start at Watcher.Look.
package watch

import (
	"bytes"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"lendkeep/reconcile/guard"
	"lendkeep/reconcile/strict"
)

// Version is that of a record of the history; another one is refused.
const Version = 1

// Kind is what a record of the history tells of.
type Kind string

// The kinds. Those of the guard are noted by the hook and taken over.
const (
	Began    Kind = "watch began"
	Ended    Kind = "watch ended"
	Checked  Kind = "start checked" // by the guard: nothing spoke against it
	Refused  Kind = "start refused" // by the guard
	Warned   Kind = "start despite" // by the guard: on_failure = "alarm" let it through
	Released Kind = "released"      // by the guard: a guest has ended, what it borrowed was looked after
	Lent     Kind = "lent"          // a guest has the controller
	LetGo    Kind = "let go"        // its guest has ended, and it is not home yet
	Returned Kind = "returned"      // the lend is over
	Alarm    Kind = "alarm"         // something is wrong; its key says what
	Over     Kind = "alarm is over" // the same key
)

// Event is one record of the history. Which fields are set depends on its kind.
type Event struct {
	Version     int           `json:"v"`
	At          time.Time     `json:"at"` // UTC
	Kind        Kind          `json:"kind"`
	Controller  string        `json:"controller,omitempty"`
	Controllers []string      `json:"controllers,omitempty"` // of Checked and Released: all that the guest borrows
	Serial      string        `json:"serial,omitempty"`
	Guest       string        `json:"guest,omitempty"`
	Session     string        `json:"session,omitempty"`   // of Lent: one run of the guest
	Since       time.Time     `json:"since,omitzero"`      // of LetGo and Returned: when it was lent
	Took        time.Duration `json:"took_ns,omitempty"`   // of Lent: since the guard's check; of Returned: since it was let go
	Way         Way           `json:"way,omitempty"`       // of Lent and Returned: how
	Rung        string        `json:"rung,omitempty"`      // of Returned: what brought it back; empty: the driver alone
	Mounted     []string      `json:"mounted,omitempty"`   // paths
	Unmounted   []string      `json:"unmounted,omitempty"` // paths
	Wrong       []string      `json:"wrong,omitempty"`     // what is not as it should be, in words
	Left        []string      `json:"left,omitempty"`      // of Released and Returned: what the host's own configuration has to set up again, in words

	NotMade []guard.NotMade `json:"not_mounted,omitempty"` // of Released: what was not mounted, and why

	Key   string `json:"key,omitempty"`   // of Alarm and Over
	Text  string `json:"text,omitempty"`  // in words for the operator
	Note  string `json:"note,omitempty"`  // name of the guard's note that it was taken from
	Again bool   `json:"again,omitempty"` // told before; repeated so that it is not forgotten
}

// Way is how a controller was lent or came back.
type Way string

// The ways.
const (
	ByStart   Way = "start"          // with a start that the guard has checked
	Unchecked Way = "unchecked"      // a start of which the guard knows nothing
	Plugged   Way = "plugged in"     // into a running guest, which calls no hook
	Found     Way = "found"          // it was lent before anybody watched
	Home      Way = "home"           // back with the host
	Passed    Way = "passed on"      // straight to the next guest
	Restarted Way = "host restarted" // which ends every lend
	Unseen    Way = "unseen"         // it ended and was lent anew between two looks
	Dropped   Way = "dropped"        // the rules no longer know the controller
)

// Loud tells whether an event is the operator's matter at once.
func (e Event) Loud() bool {
	switch e.Kind {
	case Alarm, Over, Refused, Warned:
		return !e.Again
	}
	return false
}

// Encode writes an event as one line without its end.
func (e Event) Encode() []byte {
	e.Version = Version
	var text bytes.Buffer
	encoder := json.NewEncoder(&text)
	encoder.SetEscapeHTML(false)
	if err := encoder.Encode(e); err != nil {
		panic(err) // events are plain values
	}
	return bytes.TrimSuffix(text.Bytes(), []byte("\n"))
}

// maxBytes bounds an event; the longest text that one holds is of a refusal.
const maxBytes = 1 << 20

// Decode reads an event strictly: another version, an unknown field, or
// anything after the end is an error.
func Decode(record []byte) (Event, error) {
	var e Event
	if err := strict.Read(record, maxBytes, &e); err != nil {
		return Event{}, fmt.Errorf("read event: %w", err)
	}
	if e.Version != Version {
		return Event{}, fmt.Errorf("read event: it is of version %d, this lendkeep reads version %d", e.Version, Version)
	}
	return e, nil
}

// String tells an event to people, in one line without its time.
func (e Event) String() string {
	what := e.Controller
	if e.Serial != "" {
		what += " (" + e.Serial + ")"
	}
	switch e.Kind {
	case Checked:
		return fmt.Sprintf("the guard lets %s start with %s", e.Guest, strings.Join(e.Controllers, ", ")) + list("; unmounted: ", e.Unmounted)
	case Refused:
		return fmt.Sprintf("the guard has refused to start %s: %s", e.Guest, e.Text)
	case Released:
		return fmt.Sprintf("%s has ended; the guard has looked after what it borrowed", e.Guest) + list("; mounted: ", e.Mounted) + list("; wrong: ", e.wrong()) + list("; ", e.Left)
	case Lent:
		return fmt.Sprintf("%s has %s, %s", e.Guest, what, lentBy[e.Way])
	case LetGo:
		return fmt.Sprintf("%s has let go of %s, which is not home yet", e.Guest, what)
	case Returned:
		return fmt.Sprintf("%s is back from %s, lent at %s: %s", what, e.Guest, e.Since.UTC().Format(time.DateTime), backBy[e.Way]) + e.How()
	case Began, Ended:
		return string(e.Kind)
	default:
		return e.Text
	}
}

// How tells how a return went, beginning with a semicolon; empty: nothing is
// to be said.
func (e Event) How() string {
	text := ""
	if e.Took >= time.Second {
		text = "; after " + e.Took.Round(time.Second).String()
	}
	if e.Rung != "" {
		text += "; by " + e.Rung
	}
	return text + list("; mounted: ", e.Mounted) + list("; wrong: ", e.wrong()) + list("; ", e.Left)
}

var lentBy = map[Way]string{
	ByStart:   "after a start",
	Unchecked: "which the guard has not checked",
	Plugged:   "plugged in while it runs",
	Found:     "lent before anybody looked",
}

// Lent tells in a table's words how a lend began.
func (w Way) Lent() string {
	if w == Found {
		return lentBy[Found]
	}
	return string(w)
}

var backBy = map[Way]string{
	Home:      "with the host",
	Passed:    "straight to the next guest",
	Restarted: "the host was restarted",
	Unseen:    "nobody saw it",
	Dropped:   "the rules no longer know it",
}

func list(head string, what []string) string {
	if len(what) == 0 {
		return ""
	}
	return head + strings.Join(what, ", ")
}

// wrong gives all that is not as it should be, in words.
func (e Event) wrong() []string {
	all := slices.Clone(e.Wrong)
	for _, n := range e.NotMade {
		all = append(all, n.String())
	}
	return all
}
