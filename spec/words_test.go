package spec_test

import (
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/hashicorp/hcl/v2"
	"github.com/hashicorp/hcl/v2/hclsyntax"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/spec"
)

// parserSentences gives what the sources of the parser and of the library of its
// values say to people: the summaries of its diagnostics whole, and of every other
// text the parts of three words and more between its verbs.
func parserSentences(t *testing.T) []string {
	t.Helper()
	out, err := exec.Command("go", "list", "-m", "-f", "{{.Dir}}", "github.com/hashicorp/hcl/v2", "github.com/zclconf/go-cty").Output()
	require.NoError(t, err)
	modules := strings.Fields(string(out))
	require.Len(t, modules, 2)
	var all []string
	for _, folder := range []string{modules[0], modules[0] + "/hclsyntax", modules[1] + "/cty/convert", modules[1] + "/cty/function", modules[1] + "/cty/function/stdlib"} {
		files, err := filepath.Glob(folder + "/*.go")
		require.NoError(t, err)
		require.NotEmpty(t, files)
		for _, file := range files {
			if !strings.HasSuffix(file, "_test.go") {
				all = append(all, sentencesIn(t, file)...)
			}
		}
	}
	require.Contains(t, all, "Unclosed configuration block")
	require.Contains(t, all, "There is no closing brace for this block before the end of the file. This may be caused by incorrect brace nesting elsewhere in this file.")
	require.Greater(t, len(all), 300)
	return all
}

var verb = regexp.MustCompile(`%[-+# 0-9.]*[a-zA-Z]`)

func sentencesIn(t *testing.T, file string) []string {
	tree, err := parser.ParseFile(token.NewFileSet(), file, nil, 0)
	require.NoError(t, err)
	var all []string
	ast.Inspect(tree, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.KeyValueExpr:
			key, _ := n.Key.(*ast.Ident)
			if text, ok := n.Value.(*ast.BasicLit); ok && key != nil && key.Name == "Summary" {
				said, _ := strconv.Unquote(text.Value)
				all = append(all, said)
			}
		case *ast.BasicLit:
			if n.Kind != token.STRING {
				break
			}
			said, _ := strconv.Unquote(n.Value)
			for _, part := range verb.Split(said, -1) {
				if part = strings.TrimSpace(part); len(strings.Fields(part)) >= 3 {
					all = append(all, part)
				}
			}
		}
		return true
	})
	return all
}

// Nothing that the parser or its library says reaches a reader: they speak of
// things as another trade calls them. What is read here are all wrong layouts, and
// good ones from which one token, or one character, was taken.
func TestParserIsNotHeard(t *testing.T) {
	sentences := parserSentences(t)
	heard := func(ds spec.Diagnostics) string {
		for _, d := range ds {
			text := d.Summary + "\n" + d.Detail + "\n" + d.Hint
			for _, s := range sentences {
				if strings.Contains(text, s) {
					return s + " in: " + text
				}
			}
		}
		return ""
	}
	require.NotEmpty(t, heard(spec.Diagnostics{{Detail: "There is no closing brace for this block before the end of the file. This may be caused by incorrect brace nesting elsewhere in this file."}}))
	for _, pattern := range []string{"testdata/*/*.hcl", "../examples/*/*.hcl"} {
		files, err := filepath.Glob(pattern)
		require.NoError(t, err)
		require.NotEmpty(t, files)
		for _, file := range files {
			text, err := os.ReadFile(file)
			require.NoError(t, err)
			_, ds := load(t, string(text))
			require.Empty(t, heard(ds), file)
			if !strings.Contains(file, "wrong") {
				for _, broken := range brokenOnce(text) {
					_, ds := load(t, broken)
					require.Empty(t, heard(ds), "%s:\n%s", file, broken)
				}
			}
		}
	}
}

// brokenOnce gives a layout without each of its tokens, and without each sign of
// its that pairs.
func brokenOnce(text []byte) []string {
	var all []string
	tokens, _ := hclsyntax.LexConfig(text, "", hcl.InitialPos)
	for _, t := range tokens {
		if t.Type != hclsyntax.TokenComment {
			all = append(all, string(text[:t.Range.Start.Byte])+string(text[t.Range.End.Byte:]))
		}
	}
	return all
}

// Of a broken file only one mistake is told, with the number of the others.
func TestOneMistakeAFile(t *testing.T) {
	text, err := os.ReadFile("../examples/larch/larch.hcl")
	require.NoError(t, err)
	broken := strings.Replace(string(text), `"RL-4410-0073"`, `"RL-4410-0073`, 1)
	require.Less(t, len(broken), len(text))
	_, ds := load(t, broken)
	require.Len(t, ds, 1)
	assert.Equal(t, "this text has no closing quote", ds[0].Summary)
	assert.Greater(t, ds[0].Following, 20)
	assert.Contains(t, printed(t, ds), "more may follow from it; mend this one first\n")
}

func TestForeignFiles(t *testing.T) {
	const layout = "host \"larch\" {}\n"
	wide := func(order string) string {
		var b strings.Builder
		for _, c := range layout {
			b.WriteString(strings.NewReplacer("c", string(c), "0", "\x00").Replace(order))
		}
		return b.String()
	}
	for name, c := range map[string]struct{ text, want string }{
		"UTF-16 little":  {"\xff\xfe" + wide("c0"), "this file is UTF-16 text"},
		"UTF-16 big":     {"\xfe\xff" + wide("0c"), "this file is UTF-16 text"},
		"UTF-16 no mark": {wide("c0"), "this file is UTF-16 text, it seems"},
		"UTF-32":         {"\xff\xfe\x00\x00" + wide("c000"), "this file is UTF-32 text"},
		"binary":         {"\x7fELF\x02\x01\x01\x00\x00\x00", "this file is no text"},
		"JSON":           {`{"host": {"larch": {}}}`, "this file is JSON"},
		"JSON list":      {"[1, 2]\n", "this file is JSON"},
		"broken JSON":    {`{"host": {"larch": {}`, "this file is JSON"},
		"XML":            {"<domain type='kvm'>\n</domain>\n", "this file is XML"},
		"Latin-1":        {"host \"larch\" {}\nvalues { a = \"Gr\xf6\xdfe\" }\n", "this byte is no UTF-8 text"},
		"unseen space":   {"host\u00a0\"larch\" {}\n", "a character that cannot be seen stands here"},
		"empty":          {"", "layout is empty"},
		"comments":       {"# later\n/* more */\n", "layout is empty"},
	} {
		_, ds := load(t, c.text)
		require.Len(t, ds, 1, name)
		assert.Equal(t, c.want, ds[0].Summary, name)
		assert.NotEmpty(t, ds[0].Detail, name)
		assert.NotEmpty(t, ds[0].Hint, name)
	}
	_, ds := load(t, "\xef\xbb\xbf"+layout)
	assert.Empty(t, ds, "a byte order mark of UTF-8 is harmless")
}

func TestFilesThatAreNoLayout(t *testing.T) {
	dir := t.TempDir()
	write := func(name, text string) {
		require.NoError(t, os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600))
	}
	write("larch.hcl.json", `{"host": {"larch": {}}}`)
	write("notes.txt", "no layout")
	_, ds := spec.Load(dir, spec.Given{})
	require.Len(t, ds, 1)
	assert.True(t, ds.HasErrors())
	assert.Equal(t, "larch.hcl.json: this file is not read", ds.Error())

	write("larch.hcl", "host \"larch\" {}\n")
	write("GUESTS.HCL", "")
	layout, ds := spec.Load(dir, spec.Given{})
	require.NotNil(t, layout)
	require.Len(t, ds, 2)
	assert.False(t, ds.HasErrors())

	file := filepath.Join(dir, "larch.hcl")
	_, ds = spec.Load(file, spec.Given{})
	require.Len(t, ds, 1)
	assert.Equal(t, file+": a layout is a directory, and this is a file", ds.Error())
	assert.Equal(t, "name the directory that it is in: "+dir, ds[0].Hint)

	_, ds = spec.Load(filepath.Join(dir, "nowhere"), spec.Given{})
	assert.ErrorContains(t, ds, "there is no such directory")
}
