package reconcile_test

import (
	"go/parser"
	"go/token"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/step"
)

// What DEVELOPERS.md says of the house is measured here.
func TestPortsAreSmall(t *testing.T) {
	ports := reflect.TypeFor[step.Ports]()
	for i := range ports.NumField() {
		port := ports.Field(i)
		require.Equal(t, reflect.Interface, port.Type.Kind(), port.Name)
		assert.LessOrEqual(t, port.Type.NumMethod(), 7, "%s has more methods than DEVELOPERS.md says", port.Name)
	}
}

func TestOneLineInSevenHasAComment(t *testing.T) {
	lines, commented := 0, 0
	for _, room := range []string{"spec", "reconcile", "providers", "cmd"} {
		require.NoError(t, filepath.WalkDir(filepath.Join("..", room), func(path string, entry os.DirEntry, err error) error {
			if err != nil || !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "_test.go") {
				return err
			}
			text, err := os.ReadFile(path)
			require.NoError(t, err)
			for line := range strings.Lines(string(text)) {
				if strings.TrimSpace(line) != "" {
					lines++
				}
			}
			set := token.NewFileSet()
			file, err := parser.ParseFile(set, path, text, parser.ParseComments)
			require.NoError(t, err)
			for _, group := range file.Comments {
				commented += set.Position(group.End()).Line - set.Position(group.Pos()).Line + 1
			}
			return nil
		}))
	}
	assert.InDelta(t, 1.0/7, float64(commented)/float64(lines), 0.02, "DEVELOPERS.md says one in seven")
}
