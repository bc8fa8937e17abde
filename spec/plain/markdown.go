package plain

import "strings"

// Markdown writes a text so that Markdown takes none of it for a mark of its own
// (CommonMark 0.31, 2.4: backslash escapes).
func Markdown(text string) string { return marks.Replace(text) }

var marks = strings.NewReplacer(`\`, `\\`, "`", "\\`", `*`, `\*`, `_`, `\_`, `<`, `\<`, `>`, `\>`, `[`, `\[`, `]`, `\]`)
