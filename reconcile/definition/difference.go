package definition

import (
	"strings"

	"github.com/rogpeppe/go-internal/diff"
)

// Was and Becomes begin each line of a difference that goes and that comes.
const (
	Was     = "was"
	Becomes = "becomes"

	lineWas     = Was + "     | "
	lineBecomes = Becomes + " | "
	lineStays   = "        | "
	lineSkipped = "        ..."
)

// Difference shows line by line how one definition becomes another, with three
// lines around each change. Equal definitions have none.
func Difference(before, after string) []string {
	var list []string
	unified := string(diff.Diff("", []byte(ended(before)), "", []byte(ended(after))))
	for i, line := range strings.Split(strings.TrimSuffix(unified, "\n"), "\n") {
		switch {
		case i < 3: // a header that names the two files
		case strings.HasPrefix(line, "@@"):
			if len(list) > 0 {
				list = append(list, lineSkipped)
			}
		case strings.HasPrefix(line, "-"):
			list = append(list, lineWas+line[1:])
		case strings.HasPrefix(line, "+"):
			list = append(list, lineBecomes+line[1:])
		default:
			list = append(list, lineStays+line[1:])
		}
	}
	return list
}

// ended closes the last line, whose missing line break is no difference.
func ended(text string) string {
	if text == "" || strings.HasSuffix(text, "\n") {
		return text
	}
	return text + "\n"
}
