package page

import (
	"math"
	"slices"

	"lendkeep/reconcile/speed"
)

// Speed is what was measured, beside what the links carry.
type Speed struct {
	Why      string // why nothing is charted; empty: something is
	Ceilings []Ceiling
	Others   []Mention // controllers of which that is not told
	Panels   []Panel
	Beside   []string // how many times the one result is the other
	Unlike   []string // in what besides they differ, so that this may come of it
	Notes    []string
}

// Ceiling is what the links between the processors and controllers carry at most.
type Ceiling struct {
	Of        []Mention
	Carries   string
	Narrowest string
}

// Panel is one kind of series, a bar for each result.
type Panel struct {
	Title string
	End   string // what the whole width of a bar stands for
	Bars  []Bar
}

// Bar is one result: to the median, between the slowest and the fastest run.
type Bar struct {
	Name, Text          string
	Measured            bool
	Median, Least, Most Percent
	Ceiling             Percent // what the links carry; 0: not known, or far beyond
}

func (d *drawing) speed(g Given) Speed {
	drawn := Speed{Why: g.NoMeasures}
	d.ceilings(&drawn)
	if g.Measured == nil {
		return drawn
	}
	drawn.Why = ""
	chart := g.Measured.Chart()
	for _, p := range chart.Panels {
		drawn.Panels = append(drawn.Panels, panelOf(p))
	}
	for _, row := range g.Measured.Ratios()[1:] {
		drawn.Beside = append(drawn.Beside, row[0]+": "+row[1]+" beside "+row[2]+", "+row[3])
	}
	for _, row := range g.Measured.Likenesses()[1:] {
		drawn.Unlike = append(drawn.Unlike, row[0]+" beside "+row[1]+": unlike in "+row[2]+"; nobody knows whether in "+row[3])
	}
	for _, column := range g.Measured.Columns {
		for _, caution := range column.Cautions {
			drawn.Unlike = append(drawn.Unlike, column.Name+": "+caution)
		}
	}
	drawn.Notes = append(chart.Notes, g.Measured.Rule())
	return drawn
}

// mostCeilings is how many are told: of a hundred drives nobody compares them.
const mostCeilings = 20

// ceilings tells what the links of the layout's controllers carry; of those that carry
// the same over the same link once.
func (d *drawing) ceilings(drawn *Speed) {
	var found speed.Comparison
	var of []Mention
	for _, c := range d.c.Layout.Controllers {
		f := d.c.Found(c.Name).Function
		if f == nil {
			continue
		}
		found.Columns = append(found.Columns, speed.Column{Name: c.Name, Ceiling: speed.CeilingOf(d.ix, f.Address)})
		of = append(of, d.controller(c.Name))
	}
	for i, row := range found.Ceilings()[1:] { // the first is headings
		same := slices.IndexFunc(drawn.Ceilings, func(c Ceiling) bool { return c.Carries == row[1] && c.Narrowest == row[2] })
		switch {
		case same >= 0:
			drawn.Ceilings[same].Of = append(drawn.Ceilings[same].Of, of[i])
		case len(drawn.Ceilings) < mostCeilings:
			drawn.Ceilings = append(drawn.Ceilings, Ceiling{[]Mention{of[i]}, row[1], row[2]})
		default:
			drawn.Others = append(drawn.Others, of[i])
		}
	}
}

func panelOf(p speed.Panel) Panel {
	at := func(value float64) Percent { return Percent(math.Round(p.Share(value) * float64(whole))) }
	marks := p.Marks()
	drawn := Panel{Title: p.Title, End: marks[len(marks)-1] + " " + p.Unit}
	for _, b := range p.Bars {
		bar := Bar{Name: b.Name, Text: b.Text, Measured: b.Measured, Median: at(b.Spread.Median), Least: at(b.Spread.Least), Most: at(b.Spread.Most)}
		if b.Ceiling > 0 {
			bar.Ceiling = at(b.Ceiling)
		}
		drawn.Bars = append(drawn.Bars, bar)
	}
	return drawn
}
