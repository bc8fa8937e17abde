package speed

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"lendkeep/spec/plain"
)

// perSecond writes a rate in bytes a second, in the decimal units of drives' makers.
func perSecond(rate float64) string { return digits(rate/1e6) + " MB/s" }

// digits gives three that count, and no fraction from 100 on.
func digits(x float64) string {
	switch {
	case x >= 99.95:
		return fmt.Sprintf("%.0f", x)
	case x >= 9.995:
		return fmt.Sprintf("%.1f", x)
	}
	return fmt.Sprintf("%.3g", x)
}

// unit is what a kind is told in: bytes a second in order, operations a second at
// random.
func (k Kind) unit() (name string, bytes float64) {
	if k.Access == Sequential {
		return "MB/s", 1e6
	}
	return "IOPS", float64(k.BlockBytes)
}

// in gives a spread of bytes a second in the kind's unit.
func (k Kind) in(s Spread) Spread {
	_, bytes := k.unit()
	return Spread{s.Median / bytes, s.Least / bytes, s.Most / bytes}
}

// text writes a spread of rates: "512 MB/s (498 to 530)".
func (k Kind) text(s Spread) string {
	name, _ := k.unit()
	s = k.in(s)
	if s.Least == s.Most {
		return digits(s.Median) + " " + name
	}
	return fmt.Sprintf("%s %s (%s to %s)", digits(s.Median), name, digits(s.Least), digits(s.Most))
}

// latency writes nanoseconds with three digits that count.
func latency(ns float64) string {
	step := time.Duration(math.Pow10(max(0, int(math.Floor(math.Log10(max(1, ns))))-2)))
	return time.Duration(ns).Round(step).String()
}

// Table gives every series of every result, with a head: rates as median with least
// and most, latencies and processor time as medians.
func (c Comparison) Table() [][]string {
	table := [][]string{{"series", "result", "rate (least to most)", "50 %", "99 %", "99.9 %", "processors"}}
	for _, row := range c.Rows {
		for i, cell := range row.Cells {
			line := []string{row.Kind.String(), c.Columns[i].Name, "not measured", "-", "-", "-", "-"}
			if cell != nil {
				line = append(line[:2], row.text(cell.Rate), latency(cell.P50.Median), latency(cell.P99.Median), latency(cell.P999.Median), fmt.Sprintf("%.2f", cell.CPU.Median))
			}
			table = append(table, line)
		}
	}
	return table
}

// Ratios gives what the results show beside each other, with a head.
func (c Comparison) Ratios() [][]string {
	table := [][]string{{"series", "result", "beside", "how many times its rate"}}
	for _, row := range c.Rows {
		for _, p := range row.Beside {
			table = append(table, []string{row.Kind.String(), c.Columns[p.Of].Name, c.Columns[p.To].Name, p.Ratio.String()})
		}
	}
	return table
}

// Likenesses gives how far ratios may be trusted to come from what one measures for,
// with a head.
func (c Comparison) Likenesses() [][]string {
	table := [][]string{{"result", "beside", "is unlike in", "and nobody knows whether in"}}
	for _, l := range c.Alike {
		table = append(table, []string{c.Columns[l.Of].Name, c.Columns[l.To].Name, listOf(l.Unlike), listOf(l.Unknown)})
	}
	return table
}

// Differences gives in what the results differ, or may, with a head: first what one
// measures for.
func (c Comparison) Differences() [][]string {
	head := []string{"what"}
	for _, column := range c.Columns {
		head = append(head, column.Name)
	}
	table := [][]string{head}
	for _, u := range c.Unlike {
		line := []string{u.Of}
		for _, value := range u.Values {
			if value == "" {
				value = "not known"
			}
			line = append(line, value)
		}
		table = append(table, line)
	}
	return table
}

// Costs gives what guests lose by each other, with a head.
func (c Comparison) Costs() [][]string {
	table := [][]string{{"in", "beside", "series", "of its rate alone it"}}
	for _, l := range c.Losses {
		for _, row := range l.Rows {
			table = append(table, []string{where(&c.Columns[l.With].Result), l.besideWhom(), row.Kind.String(), row.String()})
		}
	}
	return table
}

// besideWhom says of each guest whether it is known to have been busy.
func (l Loss) besideWhom() string {
	var list []string
	for _, guest := range l.Beside {
		if slices.Contains(l.Measuring, guest) {
			list = append(list, guest+", measured at the same time")
		} else {
			list = append(list, guest+", and what it did is not known")
		}
	}
	return strings.Join(list, "; ")
}

// Rule says in words by what "different" is told, and how often chance alone tells it.
func (c Comparison) Rule() string {
	pairs, chance := 0, 0.0
	for _, row := range c.Rows {
		for _, p := range row.Beside {
			if of := chanceApart(len(row.Cells[p.To].Rates), len(row.Cells[p.Of].Rates)); of <= mostChance {
				pairs, chance = pairs+1, chance+of
			}
		}
	}
	rule := "A difference is told only where no run of the one result reaches a run of the other; the ratio lies between the two that are told with 95 % or more."
	if pairs > 0 {
		rule += fmt.Sprintf(" Where nothing differs, chance alone still shows a difference among %s in at most %.0f of 100 cases.", plain.Count(pairs, "such comparison"), math.Ceil(100*chance))
	}
	return rule
}

// Ceilings says for each result what the links to its drive carry.
func (c Comparison) Ceilings() [][]string {
	table := [][]string{{"result", "the links carry", "narrowest link"}}
	for _, column := range c.Columns {
		l := column.Ceiling
		line := []string{column.Name, "not known: " + l.Unknown, "-"}
		if l.Rate > 0 {
			line[1] = fmt.Sprintf("%s, in packets of %d bytes", perSecond(l.Rate), l.PayloadBytes)
		}
		if l.Narrowest >= 0 {
			line[2] = l.Links[l.Narrowest].String()
		}
		table = append(table, line)
	}
	return table
}
