package plain_test

import (
	"os/exec"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"lendkeep/spec/plain"
)

// sh(1) itself says what it takes of a word.
func TestQuoted(t *testing.T) {
	taken := func(t require.TestingT, words ...string) string {
		quoted := make([]string, len(words))
		for i, w := range words {
			quoted[i] = plain.Quoted(w)
		}
		out, err := exec.Command("sh", "-c", "printf '%s\\n' "+strings.Join(quoted, " ")).Output()
		require.NoError(t, err)
		return string(out)
	}
	for _, word := range []string{"", "/srv/my images/a.qcow2", "it's", "~", "-o", "$HOME", "`id`", "a;b", "a&b", "*", "#a", "Größe", "a\tb", "!x", "{a,b}", "a=b"} {
		assert.Equal(t, word+"\n", taken(t, word), "%q", word)
	}
	assert.Equal(t, "/srv/images/a.qcow2", plain.Quoted("/srv/images/a.qcow2"), "what needs no quotes has none")
	rapid.Check(t, func(t *rapid.T) {
		words := rapid.SliceOfN(rapid.StringMatching(`[ -~\t]*`), 1, 20).Draw(t, "words")
		assert.Equal(t, strings.Join(words, "\n")+"\n", taken(t, words...))
	})
}

func TestCount(t *testing.T) {
	assert.Equal(t, "0 steps", plain.Count(0, "step"))
	assert.Equal(t, "1 step", plain.Count(1, "step"))
	assert.Equal(t, "2 other guests", plain.Count(2, "other guest"))
}
