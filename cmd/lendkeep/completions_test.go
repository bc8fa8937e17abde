package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/testdata/outside"
)

// Every argument and every option's value has something to be completed by, or is
// said to have none.
func TestEveryValueIsCompleted(t *testing.T) {
	values := 0
	walk(newRoot(), func(c *cobra.Command) {
		c.LocalFlags().VisitAll(func(f *pflag.Flag) {
			if f.NoOptDefVal == "" {
				values++
				assert.Contains(t, completes, valueOf(f), "%s --%s", c.CommandPath(), f.Name)
				_, registered := c.GetFlagCompletionFunc(f.Name)
				assert.True(t, registered, "%s --%s", c.CommandPath(), f.Name)
			}
		})
		for _, word := range strings.Fields(c.Use)[1:] {
			values++
			assert.Contains(t, completes, strings.Trim(word, "[]"), c.CommandPath())
		}
	})
	assert.Greater(t, values, 20)
}

// Names that do something to a shell or a terminal are left out: an order may have
// come from another machine.
func TestHostileNamesAreNotOffered(t *testing.T) {
	for _, name := range []string{"", "$(touch x)", "`id`", "a b", "-o", "a;b", "a\x1b[2J", "a\nb", "a\tb", "~root", "a*", "d\u202ea", "'", "a\"", `a\b`, "!!", "#a", "$HOME", "a\xff", "a=b", "a:b", "day\n"} {
		assert.Empty(t, offered([]string{name}, ""), "%q", name)
	}
	assert.Equal(t, []string{"night-2", "n\u00e4her"}, offered([]string{"day", "night-2", "n\u00e4her"}, "n"))
}

// A real bash completes by what make installs.
func TestBashCompletes(t *testing.T) {
	const functions = "/usr/share/bash-completion/bash_completion"
	if _, err := os.Stat(functions); err != nil {
		outside.Missing(t, "bash's completion functions are not here (Debian: bash-completion)")
	}
	folder := t.TempDir()
	output(t, "completions", folder)
	self, err := os.Executable()
	require.NoError(t, err)
	// testscript runs the program under the name by which it is called.
	bin := filepath.Join(folder, "bin")
	require.NoError(t, os.Mkdir(bin, 0o755))
	require.NoError(t, os.Symlink(self, filepath.Join(bin, "lendkeep")))
	for line, want := range map[string][]string{
		"lendkeep pl":                               {"plan"},
		"lendkeep plan examples/larch --shift ":     {"day", "night"},
		"lendkeep plan examples/larch --shift=ni":   {"night"},
		"lendkeep plan examples/la":                 {"examples/larch"},
		"lendkeep check --explain host-u":           {"host-use"},
		"lendkeep check --explain copy_o":           {"copy_of"},
		"lendkeep apply x.order --approve M":        nil,
		"lendkeep shim build --as ":                 {"disk", "rom"},
		"lendkeep survey --log-level d":             {"debug"},
		"lendkeep plan examples/larch --stand-in t": {"testdata"},
	} {
		c := exec.Command("bash", "--norc", "--noprofile", "-c", `. "$1"; . "$2"
compopt() { :; } # asks for a completion under way
COMP_LINE=$3 COMP_POINT=${#3} COMP_TYPE=9 COMP_KEY=9
words=$COMP_LINE.; words=${words//=/ = }; read -ra COMP_WORDS <<<"$words"
COMP_CWORD=$((${#COMP_WORDS[@]} - 1)); COMP_WORDS[COMP_CWORD]=${COMP_WORDS[COMP_CWORD]%.}
__start_lendkeep && printf '%s\n' "${COMPREPLY[@]}" | sed 's/ *(.*//; s/ *$//'`, "bash", functions, filepath.Join(folder, "lendkeep"), line)
		c.Dir, c.Env = "../..", append(os.Environ(), "PATH="+bin+":"+os.Getenv("PATH"))
		said, err := c.CombinedOutput()
		require.NoError(t, err, "%s: %s", line, said)
		assert.ElementsMatch(t, want, strings.Fields(string(said)), line)
	}
}
