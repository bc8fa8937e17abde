package spec_test

import (
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/spec"
)

// A sentence about a file quotes the beginning of what it is about, however long
// that is.
func TestQuotesAreShort(t *testing.T) {
	list := "[\n" + strings.Repeat("  \"xfs\",\n", 1000) + "]\n"
	name := strings.Repeat("reel", 1<<16)
	for title, c := range map[string]struct{ text, hint, detail string }{
		"a list without its =":       {text: "guest \"g\" {\n  borrows " + list + "}\n", hint: "write borrows = […"},
		"a list with its elements":   {text: "guest \"g\" {\n  borrows [" + strings.Repeat("\"xfs\", ", 1000) + "]\n}\n", hint: "write borrows = [" + strings.Repeat("\"xfs\", ", 17) + "…"},
		"a block without braces":     {text: "guest " + strings.Repeat("\"g\" ", 1000) + "\n", hint: "write guest " + strings.Repeat("\"g\" ", 28) + "\"g… { … }"},
		"a word in quotes":           {text: "\"" + name + "\" = 1\n", hint: "write " + strings.Repeat("reel", 30) + "… = …"},
		"a path without quotes":      {text: "x = /" + name + "\n", hint: "write \"/" + strings.Repeat("reel", 29) + "ree…\""},
		"a number with a word":       {text: "x = 1" + name + "\n", hint: "if it is meant as text, put it in quotes: \"1" + strings.Repeat("reel", 29) + "ree…\""},
		"a text that is not closed":  {text: "x = " + name + "\"\n", hint: "write \"" + strings.Repeat("reel", 30) + "…\""},
		"many arguments":             {text: "values {\n  x = format(\"%d\"" + strings.Repeat(", \"g\"", 1000) + ")\n}\n", detail: "and 993 more"},
		"a block of a long name":     {text: name + " {\n}\n"},
		"a value of a long name":     {text: "values {\n  " + name + " {\n  }\n}\n"},
		"a reference of a long name": {text: "values {\n  x = " + name + ".y\n}\n"},
	} {
		t.Run(title, func(t *testing.T) {
			_, ds := spec.LoadSources("", []spec.File{{Name: "long.hcl", Bytes: []byte("host \"larch\" {}\n" + c.text)}}, larch)
			require.True(t, ds.HasErrors())
			said := false
			for _, d := range ds {
				assert.LessOrEqual(t, utf8.RuneCountInString(d.Detail), 1000)
				assert.LessOrEqual(t, utf8.RuneCountInString(d.Hint), 1000)
				said = said || strings.Contains(d.Hint, c.hint) && strings.Contains(d.Detail, c.detail)
			}
			assert.True(t, said, "%+v", ds)
		})
	}
}

// Wrong layouts as long as a file may be end, whatever they repeat.
func TestLongWrongLayoutsEnd(t *testing.T) {
	const bytes = 1 << 20
	repeated := func(text string) string { return strings.Repeat(text, bytes/len(text)-8) }
	for title, text := range map[string]string{
		"a list of maps":  "x = [" + repeated("{},") + "= ]",
		"maps over lines": "g {\n  x = [" + repeated("{\n         a = 1\n     },") + "{",
	} {
		t.Run(title, func(t *testing.T) {
			_, ds := spec.LoadSources("", []spec.File{{Name: "long.hcl", Bytes: []byte(text)}}, larch)
			assert.True(t, ds.HasErrors())
		})
	}
}
