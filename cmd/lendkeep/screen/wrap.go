package screen

import (
	"iter"
	"regexp"
	"strings"

	"lendkeep/spec/plain"
)

// wrap breaks a line between words so that no part is wider than width, but for
// a word that is. What follows the first part stands below the text of it. 0 is
// no bound.
func wrap(line string, width int) []string {
	if width == 0 || plain.Columns(line) <= width {
		return []string{line}
	}
	b := breaking{width: width, hang: hangOf(line, width), bare: true}
	for gap, word := range words(line) {
		if !strings.Contains(word, joint) || b.hang+plain.Columns(word) <= width {
			b.put(gap, word, "")
			continue
		}
		b.call(gap, strings.Split(word, joint))
	}
	return append(b.parts, b.part)
}

// breaking is a line of which the beginning is broken into parts.
type breaking struct {
	width, hang int
	parts       []string
	part        string // the last, to which more may come
	at          int    // its columns
	bare        bool   // no word is on it yet
}

// put adds a word. Where it does not fit behind the part, that ends with a mark.
func (b *breaking) put(gap int, word, mark string) {
	columns := plain.Columns(word)
	if b.at+gap+columns > b.width {
		if !b.bare {
			b.parts, b.part, b.at, gap = append(b.parts, b.part+mark), "", 0, b.hang
		}
		gap = max(0, min(gap, b.width-columns))
	}
	b.part += strings.Repeat(" ", gap) + word
	b.at, b.bare = b.at+gap+columns, false
}

// words gives each word of a line with the number of spaces before it.
func words(line string) iter.Seq2[int, string] {
	return func(yield func(int, string) bool) {
		for line != "" {
			rest := strings.TrimLeft(line, " ")
			end := strings.IndexByte(rest, ' ')
			if end < 0 {
				end = len(rest)
			}
			if end > 0 && !yield(len(line)-len(rest), rest[:end]) {
				return
			}
			line = rest[end:]
		}
	}
}

// mostHang bounds how far in the further parts of a line stand, in columns: the
// heads of our lines are shorter.
const mostHang = 32

var (
	gaps   = regexp.MustCompile(`\S {2,}`)
	marker = regexp.MustCompile(`^([-:*]|\d+\.) +`)
)

// hangOf tells where the text of a line begins: after its head, which two spaces
// end, or after the mark of a list.
func hangOf(line string, width int) int {
	text := strings.TrimLeft(line, " ")
	hang := len(line) - len(text)
	if mark := marker.FindString(text); mark != "" {
		return hang + len(mark)
	}
	most := min(mostHang, width/2)
	for _, gap := range gaps.FindAllStringIndex(line[:min(len(line), most+1)], -1) {
		if gap[1] <= most {
			hang = plain.Columns(line[:gap[1]])
		}
	}
	return min(hang, width/2)
}

// reflow breaks prose anew where a paragraph of it has a line that is too wide.
// A line belongs to the paragraph before it if it begins where the text of that
// does; what stands further in is an example, of which each line stays its own.
func reflow(text string, width int) string {
	if width == 0 {
		return text
	}
	var out strings.Builder
	var paragraph []string
	begin := 0 // column of the paragraph's text; -1: nothing may be joined to it
	flush := func() {
		for _, line := range broken(paragraph, width) {
			out.WriteString(line + "\n")
		}
		paragraph = nil
	}
	ended := strings.HasSuffix(text, "\n")
	for line := range strings.SplitSeq(strings.TrimSuffix(text, "\n"), "\n") {
		bare := strings.TrimLeft(line, " ")
		in, mark := len(line)-len(bare), marker.FindString(bare)
		if len(paragraph) == 0 || bare == "" || mark != "" || in != begin {
			flush()
			begin = in + len(mark)
			if bare == "" || strings.HasPrefix(bare, "#") || in > 0 && mark == "" {
				begin = -1
			}
		}
		paragraph = append(paragraph, line)
	}
	flush()
	if !ended { // a question: what is typed stands behind its last space
		return strings.TrimRight(out.String(), " \n") + text[len(strings.TrimRight(text, " ")):]
	}
	return out.String()
}

// broken gives the lines of a paragraph, as they are if all fit.
func broken(lines []string, width int) []string {
	fits := true
	for _, line := range lines {
		fits = fits && plain.Columns(line) <= width
	}
	if fits {
		return lines
	}
	for i := range lines[1:] {
		lines[i+1] = strings.TrimLeft(lines[i+1], " ")
	}
	return wrap(strings.Join(lines, " "), width)
}
