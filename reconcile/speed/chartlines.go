package speed

import (
	"math"
	"slices"
	"strings"

	"lendkeep/spec/plain"
)

// LegendOfLines says how a chart of text is read.
const LegendOfLines = "= to the median, [ slowest run, ] fastest run, ! what the links carry"

// widest keeps the bars of a wide terminal together.
const (
	widest    = 120
	widestOf  = 24 // columns of a name
	narrowest = 12 // columns of a bar; with fewer there is none
)

// Lines gives the panel as text of at most width columns; 0: nobody says how wide.
// Names that are too long are cut; the table has them whole.
func (p Panel) Lines(width int) []string {
	if width <= 0 || width > widest {
		width = widest
	}
	name, text := 0, 0
	for _, bar := range p.Bars {
		name, text = max(name, plain.Columns(bar.Name)), max(text, plain.Columns(bar.Text))
	}
	name = min(name, widestOf)
	room := width - name - text - 4 // two columns between each
	lines := []string{cut(p.Title, width)}
	for _, bar := range p.Bars {
		line := padded(cut(bar.Name, name), name) + "  "
		if room >= narrowest {
			line += p.drawn(bar, room) + "  "
		}
		lines = append(lines, cut(strings.TrimRight(line+bar.Text, " "), width))
	}
	return lines
}

// drawn gives a bar of so many columns.
func (p Panel) drawn(bar Bar, room int) string {
	drawn := slices.Repeat([]byte{' '}, room)
	place := func(value float64) int { return int(math.Round(p.Share(value) * float64(room-1))) }
	if bar.Measured {
		for i := range place(bar.Spread.Median) + 1 {
			drawn[i] = '='
		}
		for i := place(bar.Spread.Median) + 1; i < place(bar.Spread.Most); i++ {
			drawn[i] = '-'
		}
		drawn[place(bar.Spread.Least)] = '['
		drawn[place(bar.Spread.Most)] = ']'
	}
	if bar.Ceiling > 0 {
		drawn[place(bar.Ceiling)] = '!'
	}
	return string(drawn)
}

func padded(text string, columns int) string {
	return text + strings.Repeat(" ", max(0, columns-plain.Columns(text)))
}

// cut gives as much of a text as fits into so many columns.
func cut(text string, columns int) string {
	if plain.Columns(text) <= columns {
		return text
	}
	runes := []rune(text)
	for len(runes) > 0 && plain.Columns(string(runes)) > columns-len(dots) {
		runes = runes[:len(runes)-1]
	}
	return string(runes) + dots
}

const dots = "..."
