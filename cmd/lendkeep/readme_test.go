package main

import (
	"os"
	"os/exec"
	"regexp"
	"strings"
	"testing"

	"github.com/spf13/cobra"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func readme(t *testing.T) string {
	content, err := os.ReadFile("../../README.md")
	require.NoError(t, err)
	return string(content)
}

func TestReadmeIsShortAndNamesEveryCommand(t *testing.T) {
	text := readme(t)
	assert.LessOrEqual(t, strings.Count(text, "\n"), 300)
	walk(newRoot(), func(c *cobra.Command) {
		if c.Parent() != nil && !c.Parent().HasParent() {
			assert.Regexp(t, "`(lendkeep )?"+c.Name()+"\\b", text)
		}
	})
}

// Its pictures are there, and quick to load.
func TestReadmePictures(t *testing.T) {
	names := regexp.MustCompile(`!\[[^\]]+\]\(([^)]+)\)`).FindAllStringSubmatch(readme(t), -1)
	require.NotEmpty(t, names)
	for _, name := range names {
		stat, err := os.Stat("../../" + name[1])
		if assert.NoError(t, err) {
			assert.Less(t, stat.Size(), int64(200_000), name[1])
		}
	}
}

// alone gives the command lines of lendkeep in lines of a shell.
func alone(lines [][]string) []string {
	var list []string
	for _, m := range lines {
		line, _, _ := strings.Cut("lendkeep "+m[1], " #")
		for _, part := range strings.Split(line, " | ") {
			part, _, _ = strings.Cut(part, " < ")
			part, _, _ = strings.Cut(part, " > ")
			if rest, ok := strings.CutPrefix(part, "lendkeep "); ok {
				list = append(list, rest)
			}
		}
	}
	return list
}

// Every command line in a text is one that the program takes.
func TestCommandLinesAreUnderstood(t *testing.T) {
	texts := readme(t)
	for _, p := range pages() {
		texts += p.text
	}
	lines := regexp.MustCompile(`(?m)^    (?:\$ )?lendkeep (.*)$`).FindAllStringSubmatch(texts, -1)
	require.Greater(t, len(lines), 30)
	for _, line := range alone(lines) {
		c, rest, err := newRoot().Find(strings.Fields(line))
		require.NoError(t, err, line)
		require.NoError(t, c.ParseFlags(rest), line)
		if explain := c.Flags().Lookup("explain"); explain == nil || !explain.Changed {
			assert.NoError(t, c.ValidateArgs(c.Flags().Args()), line)
		}
	}
	for _, m := range regexp.MustCompile("`lendkeep ([a-z]+)").FindAllStringSubmatch(texts, -1) {
		c, _, err := newRoot().Find([]string{m[1]})
		if assert.NoError(t, err) && m[1] != "help" {
			assert.Equal(t, m[1], c.Name())
		}
	}
}

// TestReadmeIsTrue does the worked example and holds what is printed against what
// stands there; "..." is for lines that are left out. Times and codes differ.
func TestReadmeIsTrue(t *testing.T) {
	_, example, ok := strings.Cut(readme(t), "\n## A worked example\n")
	require.True(t, ok)
	example, _, _ = strings.Cut(example, "\n## ")
	t.Chdir("../..")
	work := t.TempDir()
	const stated = "M4MA-U5RB-7QKD-2NWE"
	code := stated
	for _, block := range regexp.MustCompile(`(?m)^    \$ .*\n(    [^$].*\n)*`).FindAllString(example, -1) {
		line, expected, _ := strings.Cut(block, "\n")
		line = strings.ReplaceAll(strings.TrimPrefix(line, "    $ "), "/tmp/", work+"/")
		printed := perform(t, strings.ReplaceAll(line, stated, code))
		if m := regexp.MustCompile(`Approval code: (.*)`).FindStringSubmatch(printed); m != nil {
			code = m[1]
		}
		compare(t, line, expected, strings.ReplaceAll(printed, work+"/", "/tmp/"))
	}
	assert.NotEqual(t, stated, code, "an order was written")
}

// perform runs a line of the example.
func perform(t *testing.T, line string) string {
	switch words := strings.Fields(line); words[0] {
	case "export":
		return ""
	case "lendkeep":
		printed, _ := output(t, words[1:]...)
		return printed
	default:
		printed, err := exec.Command(words[0], words[1:]...).CombinedOutput()
		require.NoError(t, err, "%s: %s", line, printed)
		return string(printed)
	}
}

var differs = regexp.MustCompile(`\d{4}-\d\d-\d\d \d\d:\d\d:\d\d UTC|[A-Z2-7]{4}(-[A-Z2-7]{4}){3}`)

func compare(t *testing.T, line, expected, printed string) {
	have := strings.Split(differs.ReplaceAllString(strings.TrimSuffix(printed, "\n"), "?"), "\n")
	skips := false
	for want := range strings.Lines(expected) {
		want = differs.ReplaceAllString(strings.TrimRight(strings.TrimPrefix(want, "    "), "\n"), "?")
		if strings.TrimSpace(want) == "..." {
			skips = true
			continue
		}
		at := 0
		for skips && at < len(have) && strings.TrimRight(have[at], " ") != want {
			at++
		}
		require.Less(t, at, len(have), "%s\ndoes not print\n%s\nin its place, but\n%s", line, want, printed)
		require.Equal(t, want, strings.TrimRight(have[at], " "), line)
		have, skips = have[at+1:], false
	}
	assert.True(t, skips || strings.TrimSpace(strings.Join(have, "")) == "", "%s\nprints more: %q", line, have)
}
