package rehearse

import (
	"fmt"
	"slices"

	"lendkeep/reconcile/carry"
	"lendkeep/reconcile/fault"
)

// Row counts how all cases of one call ended.
type Row struct {
	Call                                  string
	Modes                                 []fault.Mode // what went wrong with it
	Cases, Before, Planned, Person, Wrong int
}

// Table gives the rows in the sequence in which they were first met; calls of
// the same name count together.
func (r Report) Table() []Row {
	var list []Row
	at := map[string]int{}
	for _, c := range r.Cases {
		n, met := at[c.Call]
		if !met {
			n = len(list)
			at[c.Call] = n
			list = append(list, Row{Call: c.Call})
		}
		if !slices.Contains(list[n].Modes, c.Mode) {
			list[n].Modes = append(list[n].Modes, c.Mode)
		}
		list[n].count(c)
	}
	return list
}

func (r *Row) count(c Case) {
	r.Cases++
	switch {
	case !c.Good:
		r.Wrong++
	case c.Ended == carry.Carried:
		r.Planned++
	case c.Ended == carry.Restored:
		r.Before++
	default:
		r.Person++
	}
}

// Sentence says how the cases ended.
func (r Report) Sentence() string {
	var sum Row
	for _, c := range r.Cases {
		sum.count(c)
	}
	text := fmt.Sprintf("%d ended as before, %d as planned, %d stopped and said what a person must do", sum.Before, sum.Planned, sum.Person)
	if sum.Wrong > 0 {
		text += fmt.Sprintf(", %d ended wrong", sum.Wrong)
	}
	return text
}
