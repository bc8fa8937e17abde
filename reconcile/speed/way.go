package speed

import "lendkeep/reconcile/facts"

// Way is the way from a function to the processors, as a survey has it.
type Way struct {
	Links        []Link `json:"links"`                   // from the function up, as far as was seen; at least one
	PayloadBytes int    `json:"payload_bytes,omitempty"` // the most data in one packet; 0: not known
	Unknown      string `json:"unknown,omitempty"`       // why it is not known what the links carry
}

// Link is one PCI Express link. Where its ends do not say the same, the lesser counts.
type Link struct {
	Below     string `json:"below"`           // the end towards the function, for people: "Studio 1TB S0REEL01 at 0000:41:00.0"
	Above     string `json:"above,omitempty"` // the port at the other end; empty: none was seen
	SpeedMTps int    `json:"speed_mtps"`      // millions of transfers a second, when the survey was taken; 0: not known
	Width     int    `json:"width"`           // lanes, likewise
	Loose     bool   `json:"loose,omitempty"` // it may carry more than it says
}

// WayOf follows the links from a function to its root port: each is between a
// function or a switch and the port above it. A virtual function has the link of
// its parent: its own registers of it are not in use (PCI Express Base
// Specification, Single Root I/O Virtualization).
func WayOf(ix *facts.Index, at facts.Address) Way {
	f := ix.Function(at)
	if f != nil && f.Parent != nil {
		f = ix.Function(*f.Parent)
	}
	w := Way{Links: []Link{}}
	if f == nil {
		w.Links = []Link{{Below: "function at " + at.String()}}
		w.unknown("the survey has no function at " + at.String())
		return w
	}
	way := append([]*facts.Function{f}, ix.Upstream(f.Address)...)
	if last := way[len(way)-1]; last.Upstream != nil {
		w.unknown("the survey lacks the port above " + last.Title())
	}
	for _, f := range way {
		w.packets(f)
	}
	for len(way) > 1 {
		w.link(way[0], way[1])
		way = way[2:]
	}
	if len(way) == 1 {
		w.link(way[0], nil)
	}
	return w
}

func (w *Way) unknown(why string) {
	if w.Unknown == "" {
		w.Unknown = Text(why)
	}
}

// packets reads how much data a packet may hold. No function sends more than it may,
// so the largest of them bounds what goes through all.
func (w *Way) packets(f *facts.Function) {
	if f.PayloadBytes == 0 {
		w.unknown("how much data a packet may hold was not read of " + f.Title())
	}
	w.PayloadBytes = max(w.PayloadBytes, f.PayloadBytes)
}

// tunnelMTps is the speed that both ends of a tunnel through USB4 or Thunderbolt say,
// whatever it carries (from memory).
const tunnelMTps = 2500

// link adds one. A link that is slower than both its ends can be is idle, or so it may
// be where nobody says what they can: under load it may carry more.
func (w *Way) link(below, above *facts.Function) {
	ends := []*facts.Link{below.Link}
	l := Link{Below: Text(below.Title())}
	if above != nil {
		ends, l.Above = append(ends, above.Link), Text(above.Title())
	}
	l.SpeedMTps, l.Width = lesser(ends, func(end *facts.Link) int { return end.SpeedMTps }), lesser(ends, func(end *facts.Link) int { return end.Width })
	can := lesser(ends, func(end *facts.Link) int { return end.MaxSpeedMTps })
	l.Loose = can == 0 || l.SpeedMTps < can || can == tunnelMTps
	w.Links = append(w.Links, l)
}

// lesser gives the least of what all ends say; 0 where one says nothing.
func lesser(ends []*facts.Link, of func(*facts.Link) int) int {
	least := 0
	for i, end := range ends {
		switch {
		case end == nil:
			return 0
		case i == 0:
			least = of(end)
		}
		least = min(least, of(end))
	}
	return least
}
