package main

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/spf13/cobra"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// What is advised can be typed as it stands: each call in an advice has the arguments
// that it needs, by name or from what is put behind it.
func TestAdvisedCallsAreWhole(t *testing.T) {
	files, err := filepath.Glob("*.go")
	require.NoError(t, err)
	calls := 0
	for _, file := range files {
		tree, err := parser.ParseFile(token.NewFileSet(), file, nil, 0)
		require.NoError(t, err)
		ast.Inspect(tree, func(n ast.Node) bool {
			if call, ok := n.(*ast.CallExpr); ok {
				if name, ok := call.Fun.(*ast.Ident); ok && name.Name == "fail" {
					calls += advisedIn(t, file, call.Args[1])
				}
			}
			return true
		})
	}
	assert.Greater(t, calls, 40)
}

// Nor does a finding, a refused start or a reason name a call that is none.
func TestSaidCallsAreWhole(t *testing.T) {
	calls := 0
	for _, folder := range []string{"../../spec", "../../reconcile", "../../providers", "../lendkeep-hook"} {
		require.NoError(t, filepath.WalkDir(folder, func(file string, _ fs.DirEntry, err error) error {
			if err != nil || filepath.Ext(file) != ".go" || strings.HasSuffix(file, "_test.go") || filepath.Base(file) == "manual.go" {
				return err
			}
			tree, err := parser.ParseFile(token.NewFileSet(), file, nil, 0)
			if err == nil {
				calls += advisedIn(t, file, tree)
			}
			return err
		}))
	}
	assert.Greater(t, calls, 15)
}

// advisedIn holds that of an advice, and gives how many calls are in it.
func advisedIn(t *testing.T, file string, advice ast.Node) (calls int) {
	ast.Inspect(advice, func(n ast.Node) bool {
		literal, ok := n.(*ast.BasicLit)
		if !ok || literal.Kind != token.STRING {
			return true
		}
		text, err := strconv.Unquote(literal.Value)
		require.NoError(t, err)
		if strings.Contains(text, "\n") {
			return true // a page of the manual
		}
		for _, at := range callOf.FindAllStringIndex(text, -1) {
			said, more := cutAny(text[at[0]:], ";,:()")
			c, rest, err := newRoot().Find(strings.Fields(strings.TrimSuffix(said, "."))[1:])
			if err != nil || !c.HasParent() || c.Name() == "help" || c.IsAdditionalHelpTopicCommand() {
				continue // what lendkeep does, in a sentence
			}
			calls++
			words, ended := callWords(c, rest)
			require.NoError(t, c.ParseFlags(words), "%s: %s", file, text)
			if ended && !more && strings.HasSuffix(text, " ") || strings.Contains(said, "%s") {
				continue // what follows is put behind it
			}
			assert.NoError(t, c.ValidateArgs(c.Flags().Args()), "%s: %s", file, text)
		}
		return true
	})
	return calls
}

// callWords gives the words of a call up to where the sentence goes on; ended tells
// that it does not.
func callWords(c *cobra.Command, words []string) (call []string, ended bool) {
	for n := 0; n < len(words); n++ {
		f := c.Flags().Lookup(strings.TrimLeft(words[n], "-"))
		switch {
		case words[n] == "-o" || strings.HasPrefix(words[n], "--") && f != nil && f.NoOptDefVal == "":
			if n+1 == len(words) {
				return call, true // its value is put behind it
			}
			call = append(call, words[n], words[n+1])
			n++
		case strings.HasPrefix(words[n], "--") || strings.ToUpper(words[n]) == words[n]:
			call = append(call, words[n])
		default:
			return call, false
		}
	}
	return call, true
}

// cutAny cuts a text at the first of these characters; more tells whether one is there.
func cutAny(text, any string) (before string, more bool) {
	if at := strings.IndexAny(text, any); at >= 0 {
		return text[:at], true
	}
	return text, false
}
