package main

import (
	"bytes"
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/files"
	"lendkeep/providers/hook"
	"lendkeep/reconcile/assess"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/fault"
	"lendkeep/spec"
	"lendkeep/spec/plain"
	"lendkeep/testdata/outside"
)

// warnings gives what groff(1) has to say against a page; -ww asks for all of it.
func warnings(t *testing.T, content []byte) string {
	c := exec.Command("groff", "-ww", "-man", "-t", "-Tutf8", "-z")
	c.Stdin = bytes.NewReader(content)
	told, err := c.CombinedOutput()
	require.NoError(t, err, string(told))
	return string(told)
}

func TestManPagesRender(t *testing.T) {
	if _, err := exec.LookPath("groff"); err != nil {
		outside.Missing(t, "groff(1) is not here (Debian: groff-base)")
	}
	assert.NotEmpty(t, warnings(t, []byte(".TH X 1\n.SH NAME\nx \\- y\n.NOSUCH\n")), "warnings are told")
	folder := t.TempDir()
	root := newRoot()
	root.SetArgs([]string{"man", folder})
	require.NoError(t, root.Execute())
	for _, name := range []string{"lendkeep.1", "lendkeep-layout.5", "lendkeep-json.5", "lendkeep-survey-file.5", "lendkeep-result-file.5", "lendkeep-findings.7", "lendkeep-safety.7", "lendkeep-moving.7"} {
		content, err := os.ReadFile(filepath.Join(folder, name))
		require.NoError(t, err)
		assert.Empty(t, warnings(t, content), name)
	}
	left, err := os.ReadDir(folder)
	require.NoError(t, err)
	assert.Len(t, left, 8)
}

// Markdown takes some characters for marks; in what is no code there are none, so
// that nothing is lost on the way to a page.
func TestPagesHoldNoStrayMarks(t *testing.T) {
	harmless := regexp.MustCompile("(?m)^    .*$|(?s:`[^`]*`)|\\\\.")
	for _, p := range pages() {
		assert.NotRegexp(t, `[<>*]|\b_|_\b`, harmless.ReplaceAllString(p.text, ""), p.name)
		assert.NotRegexp(t, `[^\n -~]`, p.text, p.name)
	}
}

// The page of the commands has each with its own options, and no other.
func TestManualHasEveryCommand(t *testing.T) {
	root := newRoot()
	text := commands(root)
	var sections []string
	walk(root, func(c *cobra.Command) {
		if c == root {
			return
		}
		head := "\n### " + plain.Markdown(usageOf(c)) + "\n"
		require.Contains(t, text, head)
		_, section, _ := strings.Cut(text, head)
		section, _, _ = strings.Cut(section, "\n##")
		sections = append(sections, head)
		assert.Contains(t, section, plain.Markdown(c.Long))
		var want, have []string
		c.LocalFlags().VisitAll(func(f *pflag.Flag) { want = append(want, f.Name) })
		for _, m := range regexp.MustCompile("(?m)^(?:`-[a-z]`, )?`--([a-z-]+)`").FindAllStringSubmatch(section, -1) {
			have = append(have, m[1])
		}
		assert.ElementsMatch(t, want, have, head)
	})
	assert.Len(t, sections, strings.Count(text, "\n### "))
	root.PersistentFlags().VisitAll(func(f *pflag.Flag) { assert.Contains(t, text, "`--"+f.Name+"`") })
}

// walk visits every command that is shown.
func walk(c *cobra.Command, visit func(*cobra.Command)) {
	visit(c)
	for _, inner := range c.Commands() {
		if inner.IsAvailableCommand() {
			walk(inner, visit)
		}
	}
}

func TestEveryExitCodeHasAMeaning(t *testing.T) {
	file, err := parser.ParseFile(token.NewFileSet(), "main.go", nil, 0)
	require.NoError(t, err)
	var codes []string
	ast.Inspect(file, func(n ast.Node) bool {
		if stated, ok := n.(*ast.ValueSpec); ok && len(stated.Values) == 1 && strings.HasPrefix(stated.Names[0].Name, "exit") {
			if value, ok := stated.Values[0].(*ast.BasicLit); ok && value.Kind == token.INT {
				codes = append(codes, value.Value)
			}
		}
		return true
	})
	require.Len(t, codes, len(exitMeanings))
	help, _ := output(t, "--help")
	page := commands(newRoot())
	for code, meaning := range exitMeanings {
		assert.NotEmpty(t, meaning, code)
		assert.Contains(t, help, "  "+codes[code]+"  "+meaning+"\n")
		assert.Contains(t, page, "\n"+codes[code]+"\n: "+plain.Markdown(meaning)+"\n")
	}
}

// output runs a command that must succeed.
func output(t *testing.T, arguments ...string) (stdout, stderr string) {
	t.Helper()
	var out, err bytes.Buffer
	require.Equal(t, exitDone, run(t.Context(), arguments, strings.NewReader(""), &out, &err), "%v: %s", arguments, err.String())
	return out.String(), err.String()
}

// The program shows the pages itself.
func TestTopicsAreShown(t *testing.T) {
	help, _ := output(t, "help")
	for _, topic := range topics() {
		assert.Contains(t, help, "lendkeep help "+topic.name)
		shown, _ := output(t, "help", topic.name)
		assert.Equal(t, strings.TrimSpace(topic.text()), strings.TrimSpace(shown))
	}
}

// What the pages name is there.
func TestPagesNameWhatThereIs(t *testing.T) {
	for _, path := range []string{facts.GuardHook, facts.GuardRules, facts.GuardProgram, facts.GuardUdev, facts.WatchProgram, facts.WatchUnit,
		facts.ROMFolder, facts.ShimFolder, hook.GrantsFolder, files.Kept} {
		assert.Contains(t, safety, "`"+path+"`")
	}
	for _, mode := range fault.Modes {
		assert.Contains(t, safety, string(mode))
	}
	named := regexp.MustCompile("`([a-z]+(?:-[a-z]+)*)`")
	for _, brackets := range regexp.MustCompile("\\(`[a-z-]+`(?:, `[a-z-]+`)*\\)|findings? `[a-z-]+`(?: and `[a-z-]+`)?").FindAllString(safety+moving+spec.Manual()+readme(t), -1) {
		for _, m := range named.FindAllStringSubmatch(brackets, -1) {
			assert.Contains(t, assess.Names(), m[1])
		}
	}
}
