package page

import (
	"cmp"
	"slices"
	"time"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/watch"
	"lendkeep/spec"
)

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
	list := spec.Names(s.c.Layout.Controllers)
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
