package main

import "lendkeep/reconcile/speed"

// comparedShape is what measure --compare --json prints.
type comparedShape struct {
	Version version       `json:"version"`
	Results []columnShape `json:"results"`
	Series  []seriesShape `json:"series"`
	Unlike  []unlikeShape `json:"unlike"`
	Alike   []alikeShape  `json:"alike"`
	Losses  []lossShape   `json:"losses"`
}

type columnShape struct {
	Name      string   `json:"name"`
	Cautions  []string `json:"cautions"`
	Ceiling   float64  `json:"ceiling"`
	Narrowest string   `json:"narrowest,omitempty"`
	Unknown   string   `json:"unknown,omitempty"`
}

type seriesShape struct {
	speed.Kind
	Cells  []cellShape `json:"cells"`
	Beside []pairShape `json:"beside"`
}

type cellShape struct {
	Result string      `json:"result"`
	Rate   spreadShape `json:"rate"`
	P50    spreadShape `json:"p50_ns"`
	P99    spreadShape `json:"p99_ns"`
	P999   spreadShape `json:"p999_ns"`
	CPU    spreadShape `json:"processors"`
	Over   bool        `json:"over_ceiling"`
}

type spreadShape struct {
	Median float64 `json:"median"`
	Least  float64 `json:"least"`
	Most   float64 `json:"most"`
}

type pairShape struct {
	Of    string     `json:"of"`
	To    string     `json:"to"`
	Ratio ratioShape `json:"ratio"`
}

type ratioShape struct {
	Verdict string  `json:"verdict"`
	Medians float64 `json:"of_medians"`
	Low     float64 `json:"low"`
	High    float64 `json:"high"`
	Surety  float64 `json:"surety"`
}

type unlikeShape struct {
	Of     string   `json:"of"`
	Asked  bool     `json:"asked"`
	Values []string `json:"values"`
}

type alikeShape struct {
	Of      string   `json:"of"`
	To      string   `json:"to"`
	Unlike  []string `json:"unlike"`
	Unknown []string `json:"unknown"`
}

type lossShape struct {
	Guest     string         `json:"guest"`
	Alone     string         `json:"alone"`
	With      string         `json:"with"`
	Beside    []string       `json:"beside"`
	Measuring []string       `json:"measuring"`
	Series    []lossRowShape `json:"series"`
}

type lossRowShape struct {
	speed.Kind
	Ratio ratioShape `json:"ratio"`
}

func comparedOf(c speed.Comparison) comparedShape {
	s := comparedShape{Results: []columnShape{}, Series: []seriesShape{}, Unlike: []unlikeShape{}, Alike: []alikeShape{}, Losses: []lossShape{}}
	for _, column := range c.Columns {
		l := column.Ceiling
		shape := columnShape{Name: column.Name, Cautions: listed(column.Cautions), Ceiling: l.Rate, Unknown: l.Unknown}
		if l.Narrowest >= 0 && l.Narrowest < len(l.Links) {
			shape.Narrowest = l.Links[l.Narrowest].String()
		}
		s.Results = append(s.Results, shape)
	}
	for _, row := range c.Rows {
		s.Series = append(s.Series, seriesOf(c, row))
	}
	for _, u := range c.Unlike {
		s.Unlike = append(s.Unlike, unlikeShape{u.Of, u.Asked, listed(u.Values)})
	}
	for _, l := range c.Alike {
		s.Alike = append(s.Alike, alikeShape{c.Columns[l.Of].Name, c.Columns[l.To].Name, listed(l.Unlike), listed(l.Unknown)})
	}
	for _, l := range c.Losses {
		shape := lossShape{l.Guest, c.Columns[l.Alone].Name, c.Columns[l.With].Name, listed(l.Beside), listed(l.Measuring), []lossRowShape{}}
		for _, row := range l.Rows {
			shape.Series = append(shape.Series, lossRowShape{row.Kind, ratioOf(row.Ratio)})
		}
		s.Losses = append(s.Losses, shape)
	}
	return s
}

func seriesOf(c speed.Comparison, row speed.Row) seriesShape {
	s := seriesShape{Kind: row.Kind, Cells: []cellShape{}, Beside: []pairShape{}}
	for i, cell := range row.Cells {
		if cell == nil {
			continue
		}
		s.Cells = append(s.Cells, cellShape{c.Columns[i].Name, spreadShape(cell.Rate), spreadShape(cell.P50), spreadShape(cell.P99), spreadShape(cell.P999), spreadShape(cell.CPU), cell.Over})
	}
	for _, p := range row.Beside {
		s.Beside = append(s.Beside, pairShape{c.Columns[p.Of].Name, c.Columns[p.To].Name, ratioOf(p.Ratio)})
	}
	return s
}

func ratioOf(r speed.Ratio) ratioShape {
	return ratioShape{string(r.Verdict), r.OfMedians, r.Low, r.High, r.Surety}
}
