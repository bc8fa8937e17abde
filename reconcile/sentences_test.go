package reconcile_test

import (
	"go/ast"
	"go/constant"
	"go/importer"
	"go/parser"
	"go/token"
	"go/types"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// A list in a sentence is written in words (plain.Names, strings.Join): what Go makes
// of one by itself, ["a" "b"], nobody else reads.
func TestListsInSentences(t *testing.T) {
	out, err := exec.Command("go", "list", "-deps", "-export", "-f", "{{.ImportPath}} {{.Export}}", "lendkeep/spec/...", "lendkeep/reconcile/...", "lendkeep/providers/...", "lendkeep/cmd/...").Output()
	require.NoError(t, err)
	compiled := map[string]string{}
	for line := range strings.Lines(string(out)) {
		path, file, _ := strings.Cut(strings.TrimSpace(line), " ")
		compiled[path] = file
	}
	files := token.NewFileSet()
	config := types.Config{Error: func(error) {}, Importer: importer.ForCompiler(files, "gc", func(path string) (io.ReadCloser, error) { return os.Open(compiled[path]) })}
	formats := 0
	for path := range compiled {
		folder, ours := strings.CutPrefix(path, "lendkeep/")
		if !ours {
			continue
		}
		names, err := filepath.Glob(filepath.Join("..", folder, "*.go"))
		require.NoError(t, err)
		var parsed []*ast.File
		for _, name := range names {
			if !strings.HasSuffix(name, "_test.go") {
				file, err := parser.ParseFile(files, name, nil, 0)
				require.NoError(t, err)
				parsed = append(parsed, file)
			}
		}
		known := types.Info{Types: map[ast.Expr]types.TypeAndValue{}}
		_, _ = config.Check(path, files, parsed, &known) // files of other systems do not fit these
		for _, file := range parsed {
			ast.Inspect(file, func(n ast.Node) bool {
				if call, ok := n.(*ast.CallExpr); ok {
					formats += listed(t, files, known, call)
				}
				return true
			})
		}
	}
	assert.Greater(t, formats, 1000)
}

// listed holds that no list is among the values of a format; it gives 1 for a format.
func listed(t *testing.T, files *token.FileSet, known types.Info, call *ast.CallExpr) int {
	signature, _ := known.TypeOf(call.Fun).(*types.Signature)
	if signature == nil || !signature.Variadic() || call.Ellipsis.IsValid() {
		return 0
	}
	first := signature.Params().Len() - 1
	last := signature.Params().At(first).Type().(*types.Slice)
	if first == 0 || first > len(call.Args) || !types.IsInterface(last.Elem()) {
		return 0
	}
	format := known.Types[call.Args[first-1]].Value
	if format == nil || format.Kind() != constant.String || !strings.Contains(constant.StringVal(format), "%") {
		return 0
	}
	for _, value := range call.Args[first:] {
		kind := known.TypeOf(value)
		if kind == nil {
			continue // of another system's file
		}
		list, isList := kind.Underlying().(*types.Slice)
		_, isMap := kind.Underlying().(*types.Map)
		if isList && types.Identical(list.Elem(), types.Typ[types.Byte]) || !isList && !isMap {
			continue
		}
		says := types.NewMethodSet(kind)
		assert.True(t, says.Lookup(nil, "String") != nil || says.Lookup(nil, "Error") != nil, "%s: a list among the values of %s", files.Position(value.Pos()), constant.StringVal(format))
	}
	return 1
}
