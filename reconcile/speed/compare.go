package speed

import (
	"fmt"
	"slices"
	"time"
)

// MaxCompared is how many results are compared at once: more are not told apart on a
// chart in black and white.
const MaxCompared = 8

// Comparison lays results beside each other. Columns, cells and values are in the
// sequence in which the results were given.
type Comparison struct {
	Columns []Column
	Rows    []Row      // of every kind that at least one result has, in the order of Kinds
	Unlike  []Unlike   // in what the results differ, or may
	Alike   []Likeness // of every two that are laid beside each other
	Losses  []Loss     // what guests cost each other
}

// Column is one result.
type Column struct {
	Result
	Ceiling  Ceiling
	Name     string   // its label, told apart from others of the same label
	Cautions []string // what a reader of its figures must know
}

// Row is one kind, of all results.
type Row struct {
	Kind
	Cells  []*Cell // nil: it was not measured
	Beside []Pair  // each result beside the first, and beside the one before it
}

// Cell is one series.
type Cell struct {
	Rate           Spread // bytes a second
	P50, P99, P999 Spread // latencies, nanoseconds
	CPU            Spread // processor time for each second that passed: 1 is one processor
	Rates          []float64
	Over           bool // a run was faster than the links carry: something else than the drive has answered
}

// Pair is one result beside another one.
type Pair struct {
	Of, To int // indexes of the results: how many times of To is Of
	Ratio
}

// Compare compares results. One that was given twice is an error: it would agree with
// itself.
func Compare(results []Result) (Comparison, error) {
	if len(results) == 0 || len(results) > MaxCompared {
		return Comparison{}, fmt.Errorf("compare results: %d of them; want 1 to %d", len(results), MaxCompared)
	}
	var c Comparison
	for i := range results {
		for j := range i {
			if results[j].measured() == results[i].measured() {
				return Comparison{}, fmt.Errorf("compare results: %s and %s are the same measurement; give each once", named(results, j), named(results, i))
			}
		}
		c.Columns = append(c.Columns, Column{results[i], results[i].Ceiling(), named(results, i), cautions(&results[i])})
	}
	c.Unlike = unlikes(results)
	for _, k := range Kinds {
		if row, any := rowOf(k, results); any {
			c.Rows = append(c.Rows, row)
		}
	}
	c.Losses = losses(results)
	c.likenesses(results)
	return c, nil
}

// measured tells a measurement, whatever it is called and whatever the host has added.
func (r Result) measured() string {
	r.Label, r.Host = "", nil
	return r.sum()
}

// likenesses looks at every two results of which a ratio is told.
func (c *Comparison) likenesses(results []Result) {
	add := func(of, to int) {
		if !slices.ContainsFunc(c.Alike, func(l Likeness) bool { return l.Of == of && l.To == to }) {
			c.Alike = append(c.Alike, likenessOf(results, of, to))
		}
	}
	for _, row := range c.Rows {
		for _, p := range row.Beside {
			add(p.Of, p.To)
		}
	}
	for _, l := range c.Losses {
		add(l.With, l.Alone)
	}
}

// named gives the label, and a number to those that share one.
func named(results []Result, i int) string {
	label := results[i].Label
	if label == "" {
		label = "no label"
	}
	same, before := 0, 0
	for j := range results {
		if results[j].Label == results[i].Label {
			same++
			if j <= i {
				before++
			}
		}
	}
	if same > 1 {
		return fmt.Sprintf("%s (%d)", label, before)
	}
	return label
}

func rowOf(k Kind, results []Result) (Row, bool) {
	row, any := Row{Kind: k}, false
	for i := range results {
		cell := cellOf(k, &results[i])
		row.Cells, any = append(row.Cells, cell), any || cell != nil
	}
	for i := 1; i < len(results); i++ {
		row.beside(i, 0)
		if i > 1 {
			row.beside(i, i-1)
		}
	}
	return row, any
}

func (row *Row) beside(of, to int) {
	if a, b := row.Cells[to], row.Cells[of]; a != nil && b != nil {
		row.Beside = append(row.Beside, Pair{of, to, ratioOf(a.Rates, b.Rates)})
	}
}

// runs gives those of a kind; nil where it was not measured.
func (r *Result) runs(k Kind) []Run {
	for _, s := range r.Series {
		if s.Kind == k {
			return s.Runs
		}
	}
	return nil
}

func cellOf(k Kind, r *Result) *Cell {
	runs := r.runs(k)
	if len(runs) == 0 {
		return nil
	}
	spread := func(value func(Run) float64) Spread { return spreadOf(over(runs, value)) }
	cell := &Cell{
		Rates: over(runs, Run.Rate),
		P50:   spread(func(r Run) float64 { return float64(r.P50) }),
		P99:   spread(func(r Run) float64 { return float64(r.P99) }),
		P999:  spread(func(r Run) float64 { return float64(r.P999) }),
		CPU:   spread(func(r Run) float64 { return float64(r.CPU) / float64(r.Took) }),
	}
	cell.Rate = spreadOf(cell.Rates)
	bound := r.Ceiling().Bound()
	cell.Over = bound > 0 && cell.Rate.Most > bound
	return cell
}

// jumped says by how much the wall clock was set while it was measured: what it says
// passed, less what did.
func (c Clock) jumped() time.Duration { return c.Ended.Sub(c.Began) - c.Took }
