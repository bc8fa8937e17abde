package screen

import (
	"slices"
	"strings"

	"lendkeep/spec/plain"
)

// between is what stands between two columns.
const between = "  "

// arranged gives the lines of a table whose first row are the headings. What is
// too wide loses the columns that say nothing; then its cells are broken between
// words where columns stay readable; else the columns of each row are stacked. 0
// is no bound.
func arranged(rows [][]string, width int) []string {
	if len(rows) == 0 {
		return nil
	}
	widths := widest(rows)
	if width == 0 || total(widths) <= width {
		return columns(rows, widths)
	}
	rows = telling(rows)
	if widths, ok := narrowed(rows, width); ok {
		return columns(rows, widths)
	}
	return stacked(rows, width)
}

// nothing tells a cell that has nothing to say.
func nothing(cell string) bool { return cell == "" || cell == "-" }

// telling leaves out columns, but the first, in which no row says anything.
func telling(rows [][]string) [][]string {
	var kept [][]string
	for _, row := range rows {
		var cells []string
		for n, cell := range row {
			if n == 0 || slices.ContainsFunc(rows[1:], func(r []string) bool { return !nothing(r[n]) }) {
				cells = append(cells, cell)
			}
		}
		kept = append(kept, cells)
	}
	return kept
}

// widest gives the width of each column.
func widest(rows [][]string) []int {
	widths := make([]int, len(rows[0]))
	for _, row := range rows {
		for n, cell := range row {
			widths[n] = max(widths[n], plain.Columns(cell))
		}
	}
	return widths
}

func total(widths []int) int {
	sum := len(between) * (len(widths) - 1)
	for _, w := range widths {
		sum += w
	}
	return sum
}

// leastReadable is how narrow a column of text may become.
const leastReadable = 20

// narrowed gives widths with which the table fits, the widest columns narrowed
// to the same; ok is false where a column would become unreadable, or cut a word.
func narrowed(rows [][]string, width int) (widths []int, ok bool) {
	whole, least := widest(rows), make([]int, len(rows[0]))
	for n, w := range whole {
		least[n] = min(w, max(leastReadable, longestWord(rows, n)))
	}
	for limit := slices.Max(whole); limit >= 0; limit-- {
		widths = slices.Clone(whole)
		for n := range widths {
			widths[n] = max(least[n], min(widths[n], limit))
		}
		if total(widths) <= width {
			return widths, true
		}
		if slices.Equal(widths, least) {
			break
		}
	}
	return nil, false
}

func longestWord(rows [][]string, column int) int {
	longest := 0
	for _, row := range rows {
		for _, word := range words(row[column]) {
			longest = max(longest, plain.Columns(word))
		}
	}
	return longest
}

// columns gives rows in columns of these widths.
func columns(rows [][]string, widths []int) []string {
	var lines []string
	for _, row := range rows {
		cells, height := make([][]string, len(row)), 0
		for n, cell := range row {
			cells[n] = wrap(cell, widths[n])
			height = max(height, len(cells[n]))
		}
		for at := range height {
			var line strings.Builder
			for n, cell := range cells {
				part := ""
				if at < len(cell) {
					part = cell[at]
				}
				line.WriteString(part)
				if n < len(cells)-1 {
					line.WriteString(strings.Repeat(" ", widths[n]-plain.Columns(part)) + between)
				}
			}
			lines = append(lines, strings.TrimRight(line.String(), " "))
		}
	}
	return lines
}

// stacked gives each row as a block: the first cell with its heading, below it
// the others that say something, each with its own.
func stacked(rows [][]string, width int) []string {
	heads := rows[0]
	widths := widest([][]string{append([]string{""}, heads[1:]...)})
	head := slices.Max(widths)
	var lines []string
	for _, row := range rows[1:] {
		if !nothing(row[0]) {
			lines = append(lines, wrap(heads[0]+" "+row[0], width)...)
		}
		for n, cell := range row[1:] {
			if !nothing(cell) {
				name := heads[n+1]
				lines = append(lines, wrap("  "+name+strings.Repeat(" ", head-plain.Columns(name))+between+cell, width)...)
			}
		}
	}
	return lines
}
