package plain_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"lendkeep/spec/plain"
)

func TestText(t *testing.T) {
	for given, want := range map[string]string{
		"":                          "",
		"reel, Größe 2 µm, 写真":      "reel, Größe 2 µm, 写真",
		"e\u0301":                   "e\u0301",
		"\ufffd":                    "\ufffd", // written as such, no broken UTF-8
		"\x1b[31mred":               `\x1b[31mred`,
		"a\nb\r\tc\x00\x7f":         `a\x0ab\x0d\x09c\x00\x7f`,
		"\u009b31m":                 `\x9b31m`,
		"\x9b31m":                   `\x9b31m`,
		"\u202egnp.exe":             "<U+202E>gnp.exe",
		"a\u2028b\u2029c\u200bd":    "a<U+2028>b<U+2029>c<U+200B>d",
		"\U000e0041":                "<U+E0041>",
		"cut \xe2\x82":              `cut \xe2\x82`,
		strings.Repeat("\u2066", 2): "<U+2066><U+2066>",
	} {
		assert.Equal(t, want, plain.Text(given), "%q", given)
	}
}

func TestCut(t *testing.T) {
	assert.Equal(t, "short", plain.Cut("short", 5))
	assert.Equal(t, "shor... (and 1 more byte)", plain.Cut("short", 4))
	assert.Equal(t, "Gr... (and 4 more bytes)", plain.Cut("Größe", 3), "no half character is left")
}

// size is a number, and kind a text, of a type of their own.
type (
	size uint64
	kind string
)

func TestValues(t *testing.T) {
	list := plain.Values([]any{"a\n", kind("b\n"), errors.New("c\n"), []string{"d\n"}, 5, size(6), true, nil})
	assert.Equal(t, `a\x0a b\x0a c\x0a [d\x0a] 5 6 true <nil>`, fmt.Sprintf("%s %s %v %v %d %d %t %v", list...))
}

// hostile draws texts with much in them that acts.
func hostile() *rapid.Generator[string] {
	return rapid.Custom(func(t *rapid.T) string {
		parts := rapid.SliceOf(rapid.OneOf(rapid.String(), rapid.SampledFrom([]string{"\x1b]0;t\x07", "\n", "\r", "\u0085", "\u202e", "\x9b", "\xc2", "\U000e0001"}))).Draw(t, "parts")
		return strings.Join(parts, "")
	})
}

func acts(r rune) bool {
	return r < 0x20 || r >= 0x7f && r < 0xa0 || r >= 0x200b && r <= 0x200f || r >= 0x2028 && r <= 0x202e || r >= 0x2066 && r <= 0x2069
}

func TestNothingActs(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text := hostile().Draw(t, "text")
		once := plain.Text(text)
		assert.True(t, utf8.ValidString(once))
		assert.Negative(t, strings.IndexFunc(once, acts), "%q", once)
		assert.Equal(t, once, plain.Text(once))
		var out bytes.Buffer
		n, err := plain.Writer{Out: &out}.Write([]byte(text))
		require.NoError(t, err)
		assert.Equal(t, len(text), n)
		assert.Negative(t, strings.IndexFunc(strings.NewReplacer("\n", "", "\t", "").Replace(out.String()), acts))
		out.Reset()
		_, err = plain.Lines{Out: &out}.Write([]byte(text + "\n"))
		require.NoError(t, err)
		assert.Equal(t, 1, strings.Count(out.String(), "\n"))
	})
}

// JSON means the same with what acts as escapes.
func TestJSON(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text := strings.ToValidUTF8(hostile().Draw(t, "text"), "")
		var content bytes.Buffer
		encoder := json.NewEncoder(&content)
		encoder.SetEscapeHTML(false)
		encoder.SetIndent("", " ")
		require.NoError(t, encoder.Encode([]string{text}))
		made := plain.JSON(content.Bytes())
		assert.Negative(t, bytes.IndexFunc(bytes.ReplaceAll(made, []byte("\n"), nil), acts), "%q", made)
		var again []string
		require.NoError(t, json.Unmarshal(made, &again))
		assert.Equal(t, []string{text}, again)
	})
}
