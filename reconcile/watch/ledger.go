package watch

import (
	"maps"
	"slices"
	"time"
)

// Ledger is what the history says: which lends are open, which alarms, and the
// last that is known of each controller.
type Ledger struct {
	Lends    map[string]Lend  // open ones, by controller: there is never a second
	Alarms   map[string]Event // those that are not over, by key
	Last     map[string]Event // the newest event of each controller
	Watched  bool             // somebody has watched before
	checks   map[string]Event // the newest check of each guest whose start was not seen yet
	releases map[string]Event // the newest end of each guest that the guard noted
}

// Lend is a controller that a guest has, or has let go and that is not home.
type Lend struct {
	Event           // of kind Lent
	LetGo time.Time // zero: the guest has it
}

// NewLedger begins with nothing known.
func NewLedger() *Ledger {
	return &Ledger{Lends: map[string]Lend{}, Alarms: map[string]Event{}, Last: map[string]Event{}, checks: map[string]Event{}, releases: map[string]Event{}}
}

// Fold gives what a whole history says.
func Fold(events []Event) *Ledger {
	l := NewLedger()
	for _, e := range events {
		l.Add(e)
	}
	return l
}

// Add takes one more event into account.
func (l *Ledger) Add(e Event) {
	switch e.Kind {
	case Began:
		l.Watched = true
	case Checked:
		l.checks[e.Guest] = e
	case Refused:
		delete(l.checks, e.Guest)
	case Released:
		// libvirt says release of a start that failed after its check too.
		delete(l.checks, e.Guest)
		l.releases[e.Guest] = e
	case Lent:
		l.Lends[e.Controller] = Lend{Event: e}
		l.use(e)
	case LetGo:
		if lend, open := l.Lends[e.Controller]; open {
			lend.LetGo = e.At
			l.Lends[e.Controller] = lend
		}
	case Returned:
		delete(l.Lends, e.Controller)
	case Alarm:
		l.Alarms[e.Key] = e
	case Over:
		delete(l.Alarms, e.Key)
	}
	if e.Controller != "" && !e.Again {
		l.Last[e.Controller] = e
	}
}

// use takes a controller off the check that its lend followed from, so that
// the same check never speaks for a second lend.
func (l *Ledger) use(lent Event) {
	check, known := l.checks[lent.Guest]
	if !known {
		return
	}
	check.Controllers = slices.DeleteFunc(slices.Clone(check.Controllers), func(name string) bool { return name == lent.Controller })
	l.checks[lent.Guest] = check
}

// Standing gives the events that must not be forgotten when old ones are
// dropped: open lends and alarms, and that somebody has watched.
func (l *Ledger) Standing() []Event {
	var list []Event
	again := func(e Event) {
		e.Again = true
		list = append(list, e)
	}
	if l.Watched {
		at := time.Time{}
		for _, e := range l.Last {
			at = later(at, e.At)
		}
		again(Event{At: at, Kind: Began})
	}
	for _, name := range slices.Sorted(maps.Keys(l.checks)) {
		again(l.checks[name])
	}
	for _, name := range slices.Sorted(maps.Keys(l.Lends)) {
		lend := l.Lends[name]
		again(lend.Event)
		if !lend.LetGo.IsZero() {
			again(Event{At: lend.LetGo, Kind: LetGo, Controller: name, Serial: lend.Serial, Guest: lend.Guest, Since: lend.At})
		}
	}
	for _, key := range slices.Sorted(maps.Keys(l.Alarms)) {
		again(l.Alarms[key])
	}
	return list
}

func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}
