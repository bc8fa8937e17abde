package page

import (
	"time"

	"lendkeep/reconcile/watch"
)

// shownFor is how far back the bands go.
const shownFor = 7 * 24 * time.Hour

// mostLoans and mostApart bound the lists below the bands; what is older is counted.
const (
	mostLoans = 40
	mostApart = 40
)

// Past is the last days as the watch saw them.
type Past struct {
	From, To string
	Ticks    []Tick // where days begin, in UTC
	Bands    []Band
	Loans    []Loan // the newest first
	Apart    []Loud // alarms and what else was the operator's matter, the newest first
	Older    int    // loans and alarms of the days shown that are not listed
	Why      string // why there is nothing; empty: there is
}

// Tick is the beginning of a day.
type Tick struct {
	X    Percent
	Text string // month and day; empty where it would not fit
}

// Band is one controller through the days.
type Band struct {
	Name   Mention
	Spans  []Span
	Alarms []Alarm
}

// Span is a stretch of time in which a controller was in one place. Where no span is
// nobody watched.
type Span struct {
	X, W Percent
	Stay Stay
	Text string // with its times
}

// Stay is where a controller is for a while.
type Stay string

// The stays.
const (
	AtHome   Stay = "home"
	WithOne  Stay = "lent"
	OnTheWay Stay = "returning" // let go, and not home yet
)

// Alarm is a moment at which something was wrong.
type Alarm struct {
	X    Percent
	Text string
}

// Loan is one lend in words.
type Loan struct {
	Controller Mention
	Guest      Mention
	From, To   string // To is empty while it lasts
	Lent, Back string // how
}

// Loud is what was the operator's matter at once.
type Loud struct{ At, What, Text string }

// window is the time that is shown.
type window struct{ from, until time.Time }

// x gives where a moment is; one outside is at the edge.
func (w window) x(at time.Time) Percent {
	gone := min(max(at.Sub(w.from), 0), w.until.Sub(w.from))
	return Percent(mulDiv(uint64(whole), uint64(gone), uint64(w.until.Sub(w.from))))
}

func (w window) holds(from, to time.Time) bool { return !to.Before(w.from) && !from.After(w.until) }

func (w window) span(from, to time.Time, stay Stay, text string) Span {
	x := w.x(from)
	return Span{x, w.x(to) - x, stay, text + ", " + stamp(from) + " to " + stamp(to)}
}

func (d *drawing) past(g Given) Past {
	if g.History == nil {
		return Past{Why: g.NoHistory}
	}
	if len(g.History.Events) == 0 {
		return Past{Why: "nothing is in the history"}
	}
	until := d.ix.Survey.TakenAt
	for _, e := range g.History.Events { // what was seen since, as on a stand-in
		until = later(until, e.At)
	}
	w := window{until.Add(-shownFor), until}
	p := Past{From: stamp(w.from), To: stamp(w.until)}
	p.Ticks = w.ticks()
	h := &seen{drawing: d, window: w, events: g.History.Events, loans: watch.Loans(g.History.Events)}
	h.watched = h.watches(g.History.Watching)
	for _, name := range h.names() {
		p.Bands = append(p.Bands, h.band(name))
	}
	h.list(&p)
	return p
}

func (w window) ticks() []Tick {
	var list []Tick
	for day := w.from.UTC().Truncate(24 * time.Hour).Add(24 * time.Hour); day.Before(w.until); day = day.Add(24 * time.Hour) {
		t := Tick{X: w.x(day), Text: day.Format("01-02")}
		if t.X > whole*85/100 { // a label goes to the right of its line
			t.Text = ""
		}
		list = append(list, t)
	}
	return list
}
