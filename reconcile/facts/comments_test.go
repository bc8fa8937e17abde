package facts_test

import (
	"go/ast"
	"go/parser"
	"go/token"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Whoever reads a survey must find where a fact comes from, its unit and what it
// means when it is empty: each field of what is read off a host says so.
func TestFactsSayWhereTheyComeFrom(t *testing.T) {
	for _, name := range []string{"function.go", "block.go", "attached.go", "card.go"} {
		file, err := parser.ParseFile(token.NewFileSet(), name, nil, parser.ParseComments)
		require.NoError(t, err)
		ast.Inspect(file, func(n ast.Node) bool {
			of, is := n.(*ast.TypeSpec)
			if !is {
				return true
			}
			if made, is := of.Type.(*ast.StructType); is {
				for _, f := range made.Fields.List {
					assert.NotNil(t, f.Comment, "%s: %s.%s has no comment", name, of.Name, f.Names)
				}
			}
			return true
		})
	}
}
