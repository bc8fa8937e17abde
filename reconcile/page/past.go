package page

import (
	"cmp"
	"slices"
	"time"

	"lendkeep/reconcile/facts"
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

// seen is a history in the making of its picture.
type seen struct {
	*drawing
	window
	events  []watch.Event
	loans   []watch.Loan
	watched []stretch
}

type stretch struct{ from, to time.Time }

// watches gives the times in which somebody watched: from each beginning to the end
// that was told, else to the last that was heard of it.
func (s *seen) watches(now bool) []stretch {
	var list []stretch
	var open, last time.Time
	end := func(at time.Time) {
		if !open.IsZero() {
			list = append(list, stretch{open, at})
		}
		open = time.Time{}
	}
	for _, e := range s.events {
		switch {
		case e.Kind == watch.Began && e.Again:
			if open.IsZero() {
				open = e.At
			}
		case e.Kind == watch.Began:
			end(last)
			open = e.At
		case e.Kind == watch.Ended:
			end(e.At)
		}
		if e.At.After(last) {
			last = e.At
		}
	}
	if now {
		last = s.until
	}
	end(last)
	return list
}

// names gives the controllers of the layout, then others that the history knows.
func (s *seen) names() []string {
	var list []string
	for _, c := range s.c.Layout.Controllers {
		list = append(list, c.Name)
	}
	stated := len(list)
	for _, e := range s.events {
		if e.Controller != "" && !slices.Contains(list, e.Controller) {
			list = append(list, e.Controller)
		}
	}
	slices.Sort(list[stated:])
	return list
}

func (s *seen) band(name string) Band {
	b := Band{Name: s.ofLayout(name)}
	b.Name.Text = name
	away := s.away(name, &b)
	for _, w := range s.watched {
		from := w.from
		for _, out := range away {
			if out.from.Before(w.to) && out.to.After(from) {
				s.add(&b, from, out.from, AtHome, "home")
				from = later(from, out.to)
			}
		}
		s.add(&b, from, w.to, AtHome, "home")
	}
	slices.SortStableFunc(b.Spans, func(x, y Span) int { return cmp.Compare(x.X, y.X) })
	for _, e := range s.events {
		if e.Controller == name && e.Loud() && s.holds(e.At, e.At) {
			b.Alarms = append(b.Alarms, Alarm{s.x(e.At), string(e.Kind) + ", " + stamp(e.At) + ": " + e.String()})
		}
	}
	return b
}

// away draws a controller's lends, and gives the times of them.
func (s *seen) away(name string, b *Band) []stretch {
	var list []stretch
	for n, loan := range s.loans {
		if loan.Controller != name {
			continue
		}
		to := s.known(n)
		back := to
		for _, e := range s.events {
			if e.Kind == watch.LetGo && e.Controller == name && e.At.After(loan.From) && e.At.Before(back) {
				back = e.At
			}
		}
		s.add(b, loan.From, back, WithOne, "lent to "+loan.Guest)
		s.add(b, back, to, OnTheWay, "on the way home from "+loan.Guest)
		list = append(list, stretch{loan.From, to})
	}
	return list
}

// known gives when the nth lend ended; of one of which nobody saw that, until when it is
// known: to the next one, while the guest has it now, else to the last that was heard.
func (s *seen) known(n int) time.Time {
	loan := s.loans[n]
	if loan.Return != nil {
		return loan.Return.At
	}
	last := loan.From
	for _, w := range s.watched {
		last = later(last, w.to)
	}
	if s.c.Layout.Controller(loan.Controller) != nil {
		if found := s.c.Found(loan.Controller); found.Where == facts.Lent && found.Holder.Name == loan.Guest {
			last = s.until
		}
	}
	for _, next := range s.loans[n+1:] {
		if next.Controller == loan.Controller && next.From.Before(last) {
			return next.From
		}
	}
	return last
}

func (s *seen) add(b *Band, from, to time.Time, stay Stay, text string) {
	if from.Before(to) && from.Before(s.until) && to.After(s.from) {
		b.Spans = append(b.Spans, s.span(from, to, stay, text))
	}
}

func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

// list tells the lends and alarms of the days shown in words.
func (s *seen) list(p *Past) {
	for n, loan := range slices.Backward(s.loans) {
		if !s.holds(loan.From, later(s.known(n), loan.From)) {
			continue
		}
		if len(p.Loans) == mostLoans {
			p.Older++
			continue
		}
		told := Loan{Controller: s.ofLayout(loan.Controller), Guest: s.guestMention(loan.Guest), From: stamp(loan.From), Lent: loan.Way.Lent()}
		told.Controller.Text = loan.Controller
		if loan.Return != nil {
			told.To, told.Back = stamp(loan.Return.At), string(loan.Return.Way)+loan.Return.How()
		}
		p.Loans = append(p.Loans, told)
	}
	for _, e := range slices.Backward(s.events) {
		if !e.Loud() || !s.holds(e.At, e.At) {
			continue
		}
		if len(p.Apart) == mostApart {
			p.Older++
			continue
		}
		p.Apart = append(p.Apart, Loud{stamp(e.At), string(e.Kind), e.String()})
	}
}
