package assess

import (
	"embed"
	"fmt"
	"slices"
	"strings"
)

//go:embed *.go
var sources embed.FS

// Names gives the name of every check.
func Names() []string {
	var list []string
	for _, c := range checks {
		list = append(list, c.Name)
	}
	return list
}

// Explain gives, in Markdown, what the head of a check's file says of it: what it
// means, its severities, what to do. ok is false if no check has that name.
func Explain(name string) (text string, ok bool) {
	i := slices.IndexFunc(checks, func(c Check) bool { return c.Name == name })
	if i < 0 {
		return "", false
	}
	source, err := sources.ReadFile(checks[i].File)
	if err != nil {
		panic(err) // the list of checks names a file that there is not
	}
	return of(name, head(string(source))), true
}

// head gives the comment at the head of a source file.
func head(source string) string {
	var text strings.Builder
	for line := range strings.Lines(source) {
		comment, ok := strings.CutPrefix(line, "//")
		if !ok {
			break
		}
		text.WriteString(strings.TrimPrefix(comment, " "))
	}
	return text.String()
}

// of gives the paragraphs about one check, of a comment that may be about
// several: each begins with the name of its check.
func of(name, comment string) string {
	var mine []string
	about := ""
	for paragraph := range strings.SplitSeq(strings.TrimSpace(comment), "\n\n") {
		if first, _, ok := strings.Cut(paragraph, ":"); ok && slices.Contains(Names(), first) {
			about = first
		}
		if about == name {
			mine = append(mine, paragraph)
		}
	}
	return strings.Join(mine, "\n\n") + "\n"
}

// Manual explains findings and every check, in Markdown, in the sequence in which
// findings are printed.
func Manual() string {
	var text strings.Builder
	text.WriteString(`Each finding has a severity. stop: no order is written, the finding is printed
instead of it. caution: printed with the order, and part of it. note: worth
knowing. A finding says what was found (why), where that was seen (seen), which
line of the layout it is about (stated), and what to do, the most harmless first.

` + "`lendkeep check --explain NAME`" + ` prints one of the following.

## Checks
`)
	for _, name := range Names() {
		explained, _ := Explain(name)
		explained = strings.TrimPrefix(explained, name+": ")
		fmt.Fprintf(&text, "\n### %s\n\n%s%s", name, strings.ToUpper(explained[:1]), explained[1:])
	}
	return text.String()
}
