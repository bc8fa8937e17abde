package spec_test

import (
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/spec"
)

// TestWrongLayouts reads one wrong layout a file. What must be reported stands
// in the file, in a comment on the line where the diagnostic must start:
//
//	# want "pattern"
//
// The pattern is matched against summary, detail and hint, each on its line, and
// how many more there are. "want-next" is for the line below, "want-whole" for what
// has no line. Everything else that is reported fails
// the test. A first line "# given nothing" reads the layout without a survey.
func TestWrongLayouts(t *testing.T) {
	files, err := filepath.Glob("testdata/wrong/*.hcl")
	require.NoError(t, err)
	require.NotEmpty(t, files)
	for _, file := range files {
		t.Run(strings.TrimSuffix(filepath.Base(file), ".hcl"), func(t *testing.T) {
			text, err := os.ReadFile(file)
			require.NoError(t, err)
			wants := wantsOf(t, string(text))
			require.NotEmpty(t, wants, "the file wants nothing")

			given := larch
			if strings.HasPrefix(string(text), "# given nothing\n") {
				given = spec.Given{}
			}
			source := spec.File{Name: filepath.Base(file), Bytes: text}
			layout, ds := spec.LoadSources("", []spec.File{source}, given)
			assert.Equal(t, ds.HasErrors(), layout == nil)
			for _, d := range ds {
				if !takeWant(wants, d) {
					t.Errorf("not wanted, line %d: %s\n%s\n%s", d.At.Line, d.Summary, d.Detail, d.Hint)
				}
				checkForm(t, d, string(text))
			}
			for line, patterns := range wants {
				assert.Empty(t, patterns, "not reported, line %d", line)
			}
		})
	}
}

var (
	wantComment = regexp.MustCompile(`# want(-whole|-next)? (".*")$`)
	wantPattern = regexp.MustCompile(`"(\\.|[^"\\])*"`)
)

// wantsOf gives the wanted patterns by line; line 0 is for the whole.
func wantsOf(t *testing.T, text string) map[int][]*regexp.Regexp {
	wants := map[int][]*regexp.Regexp{}
	for i, line := range strings.Split(text, "\n") {
		m := wantComment.FindStringSubmatch(line)
		if m == nil {
			require.NotContains(t, line, "# want", "line %d", i+1)
			continue
		}
		at := i + 1
		switch m[1] {
		case "-next":
			at++
		case "-whole":
			at = 0
		}
		for _, quoted := range wantPattern.FindAllString(m[2], -1) {
			pattern, err := strconv.Unquote(quoted)
			require.NoError(t, err)
			wants[at] = append(wants[at], regexp.MustCompile(pattern))
		}
	}
	return wants
}

// takeWant removes the pattern that d fulfils.
func takeWant(wants map[int][]*regexp.Regexp, d spec.Diagnostic) bool {
	text := fmt.Sprintf("%s\n%s\n%s", d.Summary, d.Detail, d.Hint)
	if d.Following > 0 {
		text += fmt.Sprintf("\n%d more", d.Following)
	}
	for i, pattern := range wants[d.At.Line] {
		if pattern.MatchString(text) {
			wants[d.At.Line] = append(wants[d.At.Line][:i], wants[d.At.Line][i+1:]...)
			return true
		}
	}
	return false
}

// checkForm holds what every diagnostic promises.
func checkForm(t *testing.T, d spec.Diagnostic, text string) {
	t.Helper()
	assert.NotEmpty(t, d.Summary)
	assert.LessOrEqual(t, utf8.RuneCountInString(d.Summary), 60, d.Summary)
	assert.Contains(t, []string{spec.SeverityError, spec.SeverityWarning}, d.Severity)
	if d.At.Line == 0 {
		return
	}
	line := strings.Split(text, "\n")[d.At.Line-1]
	before, meant := strings.TrimPrefix(d.Source.Before, "…"), strings.TrimSuffix(d.Source.Meant, "…")
	// All characters of these files are one column wide.
	runes := []rune(line)
	assert.True(t, strings.HasSuffix(string(runes[:d.At.Column-1]), before), "%q before column %d of %q", before, d.At.Column, line)
	assert.True(t, strings.HasPrefix(string(runes[d.At.Column-1:]), meant), "%q at column %d of %q", meant, d.At.Column, line)
}
