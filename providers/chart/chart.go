// Package chart draws what measurements show: SVG that stands alone or in a page,
// the same bytes for the same values, black on white. Start at SVG.
package chart

import (
	"bytes"
	_ "embed"
	"fmt"
	"html/template"
	"math"
	"sync"

	"lendkeep/reconcile/speed"
)

// Measures in the units of the drawing, which a page may scale. A character of the
// widest letters of 12 units takes 8 at most (common practice for sans-serif).
const (
	width     = 960
	nameWidth = 200 // names end here, bars begin
	barsWidth = 460
	most      = 24 // characters of a name; the rest is in its title
	line      = 22 // a bar, with what is above and below it
	head      = 30 // a panel's title
	foot      = 36 // a panel's axis
)

//go:embed chart.svg.tmpl
var source string

// The template escapes every text where it stands.
var drawing = sync.OnceValue(func() *template.Template { return template.Must(template.New("chart").Parse(source)) })

type page struct {
	Title         string
	Width, Height int
	Panels        []panel
	Notes         []text
}

type text struct {
	X, Y int
	Text string
}

type panel struct {
	Title                  text
	Left, Right, Top, Axis int
	Marks                  []text
	Bars                   []bar
}

type bar struct {
	Name                      text
	Whole                     string // the name uncut
	Text                      text
	Measured                  bool
	Top, Middle, Low, High    int // the bar's upper and lower edge around its middle
	From, Median, Least, Most int
	Ceiling                   int // 0: none
}

// SVG draws a chart.
func SVG(c speed.Chart) ([]byte, error) {
	p := page{Title: shown(c.Title), Width: width}
	y := 30
	for _, from := range c.Panels {
		made := panelAt(from, y)
		p.Panels = append(p.Panels, made)
		y = made.Axis + foot
	}
	for _, note := range append([]string{legend}, c.Notes...) {
		for _, part := range lines(shown(note), noteCharacters) {
			y += 16
			p.Notes = append(p.Notes, text{20, y, part})
		}
	}
	p.Height = y + 16
	var made bytes.Buffer
	if err := drawing().Execute(&made, p); err != nil {
		return nil, fmt.Errorf("draw chart: %w", err)
	}
	return made.Bytes(), nil
}

const legend = "A bar reaches to the median of the runs, its whisker from the slowest to the fastest run; a dashed line is what the links carry."

func panelAt(from speed.Panel, y int) panel {
	p := panel{Left: nameWidth, Right: nameWidth + barsWidth, Top: y + head, Axis: y + head + line*len(from.Bars)}
	p.Title = text{20, y + 20, shown(from.Title + ", " + from.Unit)}
	place := func(value float64) int { return nameWidth + int(math.Round(from.Share(value)*barsWidth)) }
	for i, mark := range from.Marks() {
		p.Marks = append(p.Marks, text{place(from.Step * float64(i)), p.Axis + 16, mark})
	}
	for i, b := range from.Bars {
		middle := p.Top + i*line + line/2
		made := bar{
			Name: text{nameWidth - 10, middle + 4, cut(shown(b.Name))}, Whole: shown(b.Name),
			Text:     text{nameWidth + barsWidth + 14, middle + 4, shown(b.Text)},
			Measured: b.Measured,
			Top:      middle - 7, Middle: middle, Low: middle + 4, High: middle - 4,
			From: nameWidth, Median: place(b.Spread.Median) - nameWidth, Least: place(b.Spread.Least), Most: place(b.Spread.Most),
		}
		if b.Ceiling > 0 {
			made.Ceiling = place(b.Ceiling)
		}
		p.Bars = append(p.Bars, made)
	}
	return p
}
