package watch

import "time"

// Loan is one lend from its beginning to its end, as history tells it.
type Loan struct {
	Controller string        `json:"controller"`
	Serial     string        `json:"serial,omitempty"`
	Guest      string        `json:"guest"`
	From       time.Time     `json:"from"`
	Way        Way           `json:"way"`
	Took       time.Duration `json:"took_ns,omitempty"`
	Return     *Event        `json:"return,omitempty"` // nil: it is open
}

// Loans gives every lend of a history, the oldest first.
func Loans(events []Event) []Loan {
	list, open := []Loan{}, map[string]int{}
	for i := range events {
		switch e := &events[i]; e.Kind {
		case Lent:
			if n, known := open[e.Controller]; known && e.Again && list[n].From.Equal(e.At) {
				continue
			}
			open[e.Controller] = len(list)
			list = append(list, Loan{Controller: e.Controller, Serial: e.Serial, Guest: e.Guest, From: e.At, Way: e.Way, Took: e.Took})
		case Returned:
			if n, known := open[e.Controller]; known {
				list[n].Return = e
				delete(open, e.Controller)
			}
		}
	}
	return list
}
