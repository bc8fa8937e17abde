package speed

import (
	"fmt"

	"lendkeep/reconcile/facts"
)

// Ceiling is the most that the links between the processors and a drive carry.
// Without Rate nothing is called impossible.
type Ceiling struct {
	Way
	Narrowest int     // index of the link that limits it; -1: not known
	Rate      float64 // bytes of data a second, one way; 0: not known
}

// CeilingOf gives that of a function of a host.
func CeilingOf(ix *facts.Index, at facts.Address) Ceiling { return WayOf(ix, at).Ceiling() }

// Ceiling gives that of the drive of a result.
func (r *Result) Ceiling() Ceiling {
	if r.Host == nil || r.Host.Way == nil {
		return Ceiling{Way: Way{Unknown: "which controller the drive has was not found out"}, Narrowest: -1}
	}
	return r.Host.Way.Ceiling()
}

// Ceiling reckons what a way carries.
func (w Way) Ceiling() Ceiling {
	c := Ceiling{Way: w, Narrowest: -1}
	for i, l := range w.Links {
		carries := l.carries(leastPayload)
		switch {
		case carries == 0:
			c.unknown("there is no link of PCI Express that is known at " + l.Below)
		case c.Narrowest < 0 || carries < w.Links[c.Narrowest].carries(leastPayload):
			c.Narrowest = i
		}
	}
	if w.PayloadBytes == 0 {
		c.unknown("how much data a packet may hold was not read")
	}
	if c.Narrowest >= 0 && c.Unknown == "" {
		c.Rate = w.Links[c.Narrowest].carries(w.PayloadBytes)
	}
	return c
}

// Bound gives what nothing exceeds, in bytes a second: what the links carry that are
// not Loose; 0: nothing is called impossible.
func (c Ceiling) Bound() float64 {
	bound := 0.0
	for _, l := range c.Links {
		if carries := l.carries(c.PayloadBytes); c.Unknown == "" && !l.Loose && (bound == 0 || carries < bound) {
			bound = carries
		}
	}
	return bound
}

// String says the link for people, by the port that makes it.
func (l Link) String() string {
	at := l.Above
	if at == "" {
		at = l.Below
	}
	text := fmt.Sprintf("%.3g GT/s x%d below %s", float64(l.SpeedMTps)/1000, l.Width, at)
	if l.Loose {
		text += " (it may carry more)"
	}
	return text
}
