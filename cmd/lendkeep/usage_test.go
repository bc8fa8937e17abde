package main

import (
	"bytes"
	"go/ast"
	"go/parser"
	"go/token"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// refused calls lendkeep wrongly and gives what it says.
func refused(t *testing.T, arguments ...string) string {
	t.Helper()
	var out, err bytes.Buffer
	require.Equal(t, exitUsage, run(t.Context(), arguments, strings.NewReader(""), &out, &err), "%v: %s", arguments, err.String())
	assert.Empty(t, out.String(), "%v", arguments)
	return err.String()
}

var wrongCalls = map[string]string{
	"aply":                              "lendkeep has no command \"aply\"\nnext: did you mean lendkeep apply?",
	"frobnicate":                        "lendkeep has no command \"frobnicate\"\nnext: lendkeep --help lists the commands\n",
	"help aply":                         "did you mean lendkeep apply?",
	"help safty":                        "did you mean lendkeep safety?",
	"shim inspct x":                     "lendkeep shim has no command \"inspct\"\nnext: did you mean lendkeep shim inspect?",
	"apply":                             "lendkeep apply takes 1 argument, ORDER; here is none\nnext: lendkeep apply ORDER; ",
	"apply a b":                         "here are \"a\", \"b\"",
	"resume now":                        "lendkeep resume takes no arguments; here is \"now\"",
	"plan x --shft day":                 "lendkeep plan has no option --shft\nnext: did you mean --shift?",
	"plan x -z":                         "lendkeep plan has no option -z\n",
	"plan x --shift":                    "--shift needs a value: --shift SHIFT\n",
	"plan x --xml=maybe":                "--xml takes no value\n",
	"plan x --=1":                       "\"--=1\" is no option\n",
	"rehearse x":                        "lendkeep rehearse needs --survey: the survey FILE of the host that the order is for\nnext: lendkeep rehearse ORDER --survey FILE; ",
	"plan x --survey a --stand-in b":    "--survey and --stand-in cannot be given together\n",
	"survey --root a --stand-in b":      "--root and --stand-in cannot be given together\n",
	"status x --stand-in a --connect b": "--stand-in and --connect cannot be given together\n",
	"check --explain host-us":           "did you mean lendkeep check --explain host-use?",
	"check --explain copyof":            "did you mean lendkeep check --explain copy_of?",
	"survey --keep-tree -":              "--keep-tree cannot be -\nnext: name a file; a file that is called so is ./-\n",
	"shim build -o -":                   "--output cannot be -\n",
	"adopt -o -":                        "--output cannot be -\nnext: name a layout; ",
	"check --log-level loud x":          "--log-level \"loud\": want debug, info, warn or error\n",
}

func TestWrongCalls(t *testing.T) {
	for call, want := range wrongCalls {
		assert.Contains(t, refused(t, strings.Fields(call)...), want, call)
	}
}

// An option of which - is standard output says so, and no other one takes it.
func TestStandardOutputIsSaid(t *testing.T) {
	values := 0
	walk(newRoot(), func(c *cobra.Command) {
		c.NonInheritedFlags().VisitAll(func(f *pflag.Flag) {
			if f.NoOptDefVal != "" {
				return
			}
			values++
			assert.Equal(t, f.Annotations[standardToo] != nil, strings.Contains(f.Usage, "standard output"), "%s --%s", c.CommandPath(), f.Name)
		})
	})
	assert.Greater(t, values, 20)
}

// What the library of commands says to people by itself is nowhere to be heard: its
// help and its errors look the same in every program that has it.
func TestLibraryIsNotHeard(t *testing.T) {
	var all strings.Builder
	for call := range wrongCalls {
		all.WriteString(refused(t, strings.Fields(call)...))
	}
	root := newRoot()
	walk(root, func(c *cobra.Command) {
		shown, _ := output(t, append(strings.Fields(c.CommandPath())[1:], "--help")...)
		all.WriteString(shown)
		again, _ := output(t, append([]string{"help"}, strings.Fields(c.CommandPath())[1:]...)...)
		assert.Equal(t, shown, again, c.CommandPath())
	})
	out, err := exec.Command("go", "list", "-m", "-f", "{{.Dir}}", "github.com/spf13/cobra", "github.com/spf13/pflag").Output()
	require.NoError(t, err)
	heard, sentences := all.String(), 0
	for _, folder := range strings.Fields(string(out)) {
		files, err := filepath.Glob(folder + "/*.go")
		require.NoError(t, err)
		for _, file := range files {
			// Completion scripts hold programs in strings.
			if strings.HasSuffix(file, "_test.go") || strings.Contains(filepath.Base(file), "completions") {
				continue
			}
			for _, said := range saidIn(t, file) {
				sentences++
				assert.NotContains(t, heard, said, file)
			}
		}
	}
	assert.Greater(t, sentences, 60)
	for _, heading := range []string{"Usage:", "Available Commands:", "Flags:", "Global Flags:", "Examples:", "Aliases:"} {
		assert.NotContains(t, heard, heading)
	}
}

// Every command that is shown has an example, and each is a call that its options
// allow.
func TestEveryCommandHasAnExample(t *testing.T) {
	root := newRoot()
	walk(root, func(c *cobra.Command) {
		if c == root {
			return
		}
		require.NotEmpty(t, c.Example, c.CommandPath())
		for line := range strings.Lines(c.Example) {
			call, _, _ := strings.Cut(strings.TrimSpace(line), " # ")
			for _, part := range regexp.MustCompile(` \| | < | > `).Split(call, -1) {
				words := strings.Fields(part)
				if words[0] != "lendkeep" {
					continue
				}
				found, rest, err := newRoot().Find(words[1:])
				require.NoError(t, err, call)
				require.NotEqual(t, "lendkeep", found.CommandPath(), call)
				require.NoError(t, found.ParseFlags(rest), call)
				require.NoError(t, found.ValidateArgs(found.Flags().Args()), call)
			}
		}
	})
}

var verb = regexp.MustCompile(`%[-+# 0-9.]*[a-zA-Z]`)

// saidIn gives what the texts of a file say to people: the parts of three words and
// more between verbs.
func saidIn(t *testing.T, file string) []string {
	tree, err := parser.ParseFile(token.NewFileSet(), file, nil, 0)
	require.NoError(t, err)
	var list []string
	ast.Inspect(tree, func(n ast.Node) bool {
		if text, ok := n.(*ast.BasicLit); ok && text.Kind == token.STRING {
			said, err := strconv.Unquote(text.Value)
			require.NoError(t, err)
			for _, part := range verb.Split(said, -1) {
				if part = strings.TrimSpace(part); len(strings.Fields(part)) >= 3 {
					list = append(list, part)
				}
			}
		}
		return true
	})
	return list
}
