package speed

import "slices"

// Loss is what a guest loses while others run beside it: the same guest's same drive,
// measured without them and with them.
type Loss struct {
	Guest       string   // in which it was measured; empty: the host
	Alone, With int      // indexes of the results
	Beside      []string // guests that ran with it the second time and not the first
	Measuring   []string // those of them that were measured at the same time: how much the others did is not known
	Rows        []LossRow
}

// LossRow is how many times of its rate alone a kind still has.
type LossRow struct {
	Kind
	Ratio
}

// String says what is lost: "loses 27 to 31 %", or that nothing is shown.
func (r LossRow) String() string {
	word, low, high := "loses", 100*(1-r.High), 100*(1-r.Low)
	switch {
	case r.Verdict != Different:
		return r.Ratio.String()
	case r.Low > 1:
		word, low, high = "gains", 100*(r.Low-1), 100*(r.High-1)
	}
	least, most := digits(low), digits(high)
	if least == most {
		return word + " " + least + " %"
	}
	return word + " " + least + " to " + most + " %"
}

// losses finds every two results that differ by guests that ran.
func losses(results []Result) []Loss {
	var list []Loss
	for i := range results {
		for j := range results {
			if l, is := lossOf(results, i, j); is {
				list = append(list, l)
			}
		}
	}
	return list
}

func lossOf(results []Result, alone, with int) (Loss, bool) {
	a, b := &results[alone], &results[with]
	if a.Host == nil || b.Host == nil || !samePlace(a, b) || len(added(b.Host.Others, a.Host.Others)) > 0 {
		return Loss{}, false
	}
	l := Loss{Guest: a.Host.Guest, Alone: alone, With: with, Beside: added(a.Host.Others, b.Host.Others)}
	for _, guest := range l.Beside {
		if slices.ContainsFunc(results, func(r Result) bool { return r.Host != nil && r.Host.Guest == guest && overlap(r.Clock, b.Clock) }) {
			l.Measuring = append(l.Measuring, guest)
		}
	}
	for _, k := range Kinds {
		if x, y := a.runs(k), b.runs(k); x != nil && y != nil {
			l.Rows = append(l.Rows, LossRow{k, ratioOf(over(x, Run.Rate), over(y, Run.Rate))})
		}
	}
	return l, len(l.Beside) > 0
}

// added gives what is in the second list only.
func added(first, second []string) []string {
	return slices.DeleteFunc(slices.Clone(second), func(name string) bool { return slices.Contains(first, name) })
}

// samePlace says that two results are of one guest's one drive, given in one way. A
// virtual disk is told by its name; a drive that says nothing of itself is not known
// to be the same.
func samePlace(a, b *Result) bool {
	for _, of := range []func(*Result) string{where, given, drive, driver} {
		if of(a) != of(b) {
			return false
		}
	}
	known := a.Host.Disk != nil || a.Target.Drive.Serial != ""
	return known && given(a) != "" && a.Target.Form == b.Target.Form && a.Target.Path == b.Target.Path
}

// overlap goes by the wall clocks of two systems, which may be some seconds apart.
func overlap(a, b Clock) bool { return a.Began.Before(b.Ended) && b.Began.Before(a.Ended) }
