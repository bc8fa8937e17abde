package screen

import (
	"bytes"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"lendkeep/spec/plain"
)

func TestWrap(t *testing.T) {
	for _, c := range []struct {
		line  string
		width int
		want  string
	}{
		{"it fits", 7, "it fits"},
		{"it does not fit", 8, "it does\nnot fit"},
		{"   why     it does not fit here", 22, "   why     it does not\n           fit here"},
		{"   why     " + strings.Repeat("x", 15), 20, "   why\n   xxxxxxxxxxxxxxx"},
		{"a " + strings.Repeat("x", 15), 10, "a\nxxxxxxxxxxxxxxx"},
		{"- one two three", 9, "- one two\n  three"},
		{"漢字 漢字", 8, "漢字\n漢字"},
		{strings.Repeat(" ", 30) + "x", 10, "         x"},
		{"no bound at all", 0, "no bound at all"},
		{"", 5, ""},
	} {
		assert.Equal(t, c.want, strings.Join(wrap(c.line, c.width), "\n"), c.line)
	}
}

func TestReflow(t *testing.T) {
	const text = `# A heading that is longer than that

One paragraph of several lines
that belong together.
- a mark of a list, and what
  goes on below it
- another
: what a word means, also
  below it
  an example stays a line
  and so does this one

Fits.
Also.
`
	assert.Equal(t, `# A heading that is
longer than that

One paragraph of
several lines that
belong together.
- a mark of a list,
  and what goes on
  below it
- another
: what a word means,
  also below it an
  example stays a
  line and so does
  this one

Fits.
Also.
`, reflow(text, 20))
	assert.Equal(t, text, reflow(text, 40), "nothing is too wide")
	assert.Equal(t, "  a b\n  c d\n", reflow("  a b\n  c d\n", 6))
	assert.Equal(t, "Type the\nname: ", reflow("Type the name: ", 10), "a question")
	assert.Equal(t, "Type it: ", reflow("Type it: ", 10))
	assert.Equal(t, "  a\n  b\n  c\n  d\n", reflow("  a b\n  c d\n", 4), "lines that stand further in are examples")
}

var table = [][]string{
	{"drive", "size", "slot", "used by"},
	{"nvme0n1", "2.0 GiB", "-", "mount /srv/shelf, guest catalogue (off)"},
	{"nvme1n1", "512 MiB", "-", "nobody"},
}

func TestTable(t *testing.T) {
	for _, c := range []struct {
		width int
		want  string
	}{
		{0, `drive    size     slot  used by
nvme0n1  2.0 GiB  -     mount /srv/shelf, guest catalogue (off)
nvme1n1  512 MiB  -     nobody`},
		{58, `drive    size     used by
nvme0n1  2.0 GiB  mount /srv/shelf, guest catalogue (off)
nvme1n1  512 MiB  nobody`},
		{45, `drive    size     used by
nvme0n1  2.0 GiB  mount /srv/shelf, guest
                  catalogue (off)
nvme1n1  512 MiB  nobody`},
		{30, `drive nvme0n1
  size     2.0 GiB
  used by  mount /srv/shelf,
           guest catalogue
           (off)
drive nvme1n1
  size     512 MiB
  used by  nobody`},
	} {
		assert.Equal(t, c.want, strings.Join(arranged(table, c.width), "\n"), c.width)
	}
	assert.Empty(t, arranged(nil, 80))
}

// A call goes to the next line as a whole, or is broken as a shell takes it, and
// never within quotes.
func TestCalls(t *testing.T) {
	const call = `lendkeep plan --stand-in 'my  "host'\'' s'`
	for _, c := range []struct {
		width int
		want  string
	}{
		{0, "next: " + call + "; then look"},
		{70, "next: " + call + "; then look"},
		{49, "next: " + call + ";\nthen look"},
		{48, "next:\n" + call + "; then\nlook"},
		{30, "next: lendkeep plan \\\n--stand-in 'my  \"host'\\'' s';\nthen look"},
		{10, "next:\nlendkeep \\\nplan \\\n--stand-in \\\n'my  \"host'\\'' s';\nthen look"},
	} {
		var out strings.Builder
		for _, part := range wrap(whole("next: "+call+"; then look", []string{call}), c.width) {
			out.WriteString(spaces.Replace(part) + "\n")
		}
		assert.Equal(t, c.want+"\n", out.String(), c.width)
	}
}

// Whatever the width: no line is wider, but for a word that is, and the words
// are those of the text, in its sequence.
func TestWrapKeepsEveryWord(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.StringMatching(`( {0,4}[a-zé漢:-]{1,30}){0,20}`).Draw(t, "text")
		width := rapid.IntRange(1, 100).Draw(t, "width")
		parts := wrap(text, width)
		require.Equal(t, strings.Fields(text), strings.Fields(strings.Join(parts, " ")))
		for _, part := range parts {
			if plain.Columns(part) > width && len(strings.Fields(part)) > 1 {
				t.Fatalf("%q is wider than %d", part, width)
			}
		}
	})
}

// What the locale cannot show is shown by its number, and dots for our own mark
// of what was left out.
func TestLocale(t *testing.T) {
	for _, c := range []struct{ all, ctype, lang, want string }{
		{"", "", "", `k\xf6ln <U+6F22> ...`},
		{"C", "", "en_GB.UTF-8", `k\xf6ln <U+6F22> ...`},
		{"", "", "en_GB.UTF-8", "köln 漢 …"},
		{"", "C.utf8", "C", "köln 漢 …"},
		{"", "", "de_DE.ISO-8859-1", `k\xf6ln <U+6F22> ...`},
	} {
		t.Setenv("LC_ALL", c.all)
		t.Setenv("LC_CTYPE", c.ctype)
		t.Setenv("LANG", c.lang)
		var out bytes.Buffer
		s := New(&out)
		require.NoError(t, s.Line("köln 漢 …"))
		require.NoError(t, s.Prose("köln 漢 …\n"))
		require.NoError(t, s.Table([][]string{{"köln 漢 …"}}))
		assert.Equal(t, strings.Repeat(c.want+"\n", 3), out.String(), c)
	}
}

// A pipe gets one row a line, and nothing in a value acts.
func TestPipe(t *testing.T) {
	var out bytes.Buffer
	s := New(&out)
	require.NoError(t, s.Colour("auto"))
	long := strings.Repeat("word ", 100) + "end"
	require.NoError(t, s.Marked(Stop, "stop", ": "+long))
	require.NoError(t, s.Table([][]string{{"a", "b"}, {"x\x1b[2J", long}}))
	require.NoError(t, s.Prose(long+"\n"))
	assert.Equal(t, "stop: "+long+"\n"+"a         b\nx\\x1b[2J  "+long+"\n"+long+"\n", out.String())
	out.Reset()
	require.NoError(t, s.Colour("always"))
	require.NoError(t, s.Marked(Caution, "caution", ": \x1b[31mred"))
	assert.Equal(t, "\x1b[1;33mcaution\x1b[0m: \\x1b[31mred\n", out.String())
}
