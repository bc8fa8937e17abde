package speed

import (
	"fmt"
	"math"
)

// Chart is what is drawn of a comparison: a panel for each kind, in it a bar for each
// result. Everything is in the panel's unit; texts are for people.
type Chart struct {
	Title  string
	Panels []Panel
	Notes  []string // below all panels
}

// Panel is one kind.
type Panel struct {
	Title string  // "sequential read, 1 MiB, depth 8"
	Unit  string  // "MB/s", "IOPS"
	Step  float64 // between two marks of the axis
	End   float64 // of the axis, which begins at 0; a whole number of steps
	Bars  []Bar   // as many as there are results
}

// Bar is one result.
type Bar struct {
	Name     string
	Text     string // "512 MB/s (498 to 530)"; why there is none
	Measured bool
	Spread   Spread
	Ceiling  float64 // what the links carry, where that is on the axis; else 0
}

// Chart gives what is drawn.
func (c Comparison) Chart() Chart {
	chart := Chart{Title: "Measured, beside what the links carry"}
	for _, row := range c.Rows {
		chart.Panels = append(chart.Panels, c.panel(row))
	}
	for _, line := range c.Ceilings()[1:] {
		chart.Notes = append(chart.Notes, fmt.Sprintf("Links of %s: %s; narrowest: %s", line[0], line[1], line[2]))
	}
	return chart
}

// beyond is by how many times a ceiling may be above the fastest run, to be on the
// axis: what is far above would leave no room for the bars.
const beyond = 2.5

func (c Comparison) panel(row Row) Panel {
	unit, bytes := row.unit()
	p := Panel{Title: row.Kind.String(), Unit: unit}
	most := 0.0
	for i, cell := range row.Cells {
		bar := Bar{Name: c.Columns[i].Name, Text: "not measured"}
		if cell != nil {
			bar.Measured, bar.Spread, bar.Text = true, row.in(cell.Rate), row.text(cell.Rate)
			most = max(most, bar.Spread.Most)
		}
		p.Bars = append(p.Bars, bar)
	}
	reach := most
	for i := range p.Bars {
		if ceiling := c.Columns[i].Ceiling.Rate / bytes; p.Bars[i].Measured && ceiling > 0 && ceiling <= most*beyond {
			p.Bars[i].Ceiling = ceiling
			reach = max(reach, ceiling)
		}
	}
	p.Step = step(reach)
	p.End = p.Step * math.Ceil(reach/p.Step)
	return p
}

// step gives 1, 2 or 5 times a power of ten, so that the axis has 3 to 6 steps.
func step(reach float64) float64 {
	power := math.Pow(10, math.Floor(math.Log10(reach)))
	for _, times := range []float64{.2, .5, 1} {
		if reach/(power*times) <= 6 {
			return power * times
		}
	}
	return power * 2
}

// Share gives where a value is on the axis, from 0 to 1.
func (p Panel) Share(value float64) float64 { return min(1, max(0, value/p.End)) }

// Marks gives the values of the axis that are written at it.
func (p Panel) Marks() []string {
	var list []string
	for i := range int(math.Round(p.End/p.Step)) + 1 {
		list = append(list, fmt.Sprintf("%.10g", p.Step*float64(i)))
	}
	return list
}
