package spec_test

import (
	"io"
	"os"
	"path/filepath"
	"testing"
	"unicode/utf8"

	"github.com/hashicorp/hcl/v2"
	"github.com/hashicorp/hcl/v2/hclsyntax"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/spec"
)

// seed adds every layout file of the repository to a fuzz target.
func seed(f *testing.F) {
	for _, pattern := range []string{"testdata/*/*.hcl", "../examples/*/*.hcl"} {
		files, err := filepath.Glob(pattern)
		require.NoError(f, err)
		require.NotEmpty(f, files)
		for _, file := range files {
			text, err := os.ReadFile(file)
			require.NoError(f, err)
			f.Add(text)
		}
	}
}

// FuzzLoad: any bytes give a layout, or errors that keep their form.
func FuzzLoad(f *testing.F) {
	seed(f)
	f.Fuzz(func(t *testing.T, text []byte) {
		for _, given := range []spec.Given{larch, {}} {
			layout, ds := spec.LoadSources("", []spec.File{{Name: "x.hcl", Bytes: text}}, given)
			require.Equal(t, ds.HasErrors(), layout == nil)
			for _, d := range ds {
				assert.NotEmpty(t, d.Summary)
				assert.LessOrEqual(t, utf8.RuneCountInString(d.Summary), 60)
			}
			require.NoError(t, ds.Print(io.Discard, 40, asItIs))
		}
	})
}

// FuzzFormat: formatting keeps every token but line ends and the ends of
// comments, changes nothing the second time, and refuses only broken syntax.
func FuzzFormat(f *testing.F) {
	seed(f)
	f.Fuzz(func(t *testing.T, text []byte) {
		once, ds := spec.Format(text, "x.hcl")
		if ds.HasErrors() {
			require.Nil(t, once)
			return
		}
		require.Equal(t, tokensOf(text), tokensOf(once))
		twice, ds := spec.Format(once, "x.hcl")
		require.False(t, ds.HasErrors(), "%v\n%s", ds, once)
		require.Equal(t, string(once), string(twice))

		before, _ := spec.LoadSources("", []spec.File{{Name: "x.hcl", Bytes: text}}, larch)
		after, _ := spec.LoadSources("", []spec.File{{Name: "x.hcl", Bytes: once}}, larch)
		require.Equal(t, before == nil, after == nil)
		if before != nil {
			after.Hash = before.Hash
			require.Equal(t, placeless(before), placeless(after))
		}
	})
}

// tokensOf gives what a parser sees of a file.
func tokensOf(text []byte) []string {
	tokens, _ := hclsyntax.LexConfig(text, "", hcl.InitialPos)
	var all []string
	for _, token := range tokens {
		switch token.Type {
		case hclsyntax.TokenNewline, hclsyntax.TokenComment, hclsyntax.TokenEOF:
		default:
			all = append(all, string(token.Bytes))
		}
	}
	return all
}
