package spec_test

import (
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"lendkeep/spec"
	"lendkeep/spec/plain"
)

func asItIs(text string) string { return text }

func printed(t *testing.T, ds spec.Diagnostics) string {
	t.Helper()
	var out strings.Builder
	require.NoError(t, ds.Print(&out, 0, asItIs))
	return out.String()
}

// On a narrow terminal a source line is shortened around what is meant, whose place
// the carets still mark.
func TestPrintNarrow(t *testing.T) {
	const text = "host \"larch\" {}\nguest \"a\" { retired = 1 }\n# x\n"
	long := strings.Replace(text, "{ retired", "{ /* "+strings.Repeat("before ", 30)+"*/ retired", 1)
	long = strings.Replace(long, "1 }", "\"meant\" } # "+strings.Repeat("after ", 30), 1)
	_, ds := spec.LoadSources("", []spec.File{{Name: "layout.hcl", Bytes: []byte(long)}}, larch)
	require.Len(t, ds, 1)
	show := func(columns int, shown func(string) string) []string {
		var out strings.Builder
		require.NoError(t, ds.Print(&out, columns, shown))
		return strings.Split(out.String(), "\n")[1:3]
	}
	assert.Equal(t, []string{
		`    ...re */ retired = "meant" } # after afte...`,
		`                       ^^^^^^^`}, show(48, asItIs))
	assert.Equal(t, []string{
		`    ... = "m\xe4\xe4nt" }...`,
		`          ^^^^^^^^^^^^^`}, show(28, func(text string) string { return plain.ASCII(strings.Replace(text, "ea", "ää", 1)) }))
	assert.Equal(t, []string{`    ..."meant"..`, `       ^^^^^^^`}, show(3, asItIs))
	rapid.Check(t, func(t *rapid.T) {
		part := rapid.StringMatching(`[a-z \t館é]{0,60}`)
		ds[0].Source = spec.Excerpt{Before: part.Draw(t, "before"), Meant: part.Draw(t, "meant"), After: part.Draw(t, "after")}
		columns := rapid.IntRange(16, 200).Draw(t, "columns")
		for _, line := range show(columns, asItIs) {
			if strings.HasPrefix(line, "    ") {
				require.LessOrEqual(t, plain.Columns(line), columns, line)
			}
		}
	})
}

func TestPrint(t *testing.T) {
	tests := []struct{ name, text, want string }{
		{
			name: "place, source line, carets, detail, hint",
			text: "host \"larch\" {}\nguest \"a\" {\n  system = \"window\"\n}\n",
			want: `layout.hcl:3:12: system cannot be "window"
    system = "window"
             ^^^^^^^^
  It can be "windows" or "linux".
  hint: did you mean "windows"?
`,
		}, {
			name: "tabs stay, so that the carets stand below in any terminal",
			text: "host \"larch\" {}\nguest \"a\" {\n\tretired\t= \"yes\"\n}\n",
			want: "layout.hcl:3:12: retired must be true or false\n    retired\t= \"yes\"\n           \t  ^^^^^\n  It is text.\n",
		}, {
			name: "wide and combining characters",
			text: "host \"larch\" {}\nguest \"a\" {\n  /* \u9928 e\u0301 */ retired = \"\u9928e\u0301\"\n}\n",
			want: "layout.hcl:3:23: retired must be true or false\n" +
				"    /* \u9928 e\u0301 */ retired = \"\u9928e\u0301\"\n" +
				strings.Repeat(" ", 4+21) + "^^^^^\n  It is text.\n", // 館 takes two columns, the accent none,
		}, {
			name: "several lines, of which the first is marked",
			text: "host \"larch\" {}\nguest \"a\" {\n  retired = [\n    1,\n  ]\n}\n",
			want: "layout.hcl:3:13: retired must be true or false\n    retired = [\n              ^\n  It is a list.\n",
		}, {
			name: "no escape sequence reaches the terminal",
			text: "host \"larch\" {}\n# \x1b[2J\nguest \"a\" { retired = \"\x1b]0;x\x07\" } # \x1b[2J\n",
			want: "layout.hcl:3:23: retired must be true or false\n" +
				"    guest \"a\" { retired = \"\uFFFD]0;x\uFFFD\" } # \uFFFD[2J\n" +
				"                          ^^^^^^^^\n  It is text.\n",
		}, {
			name: "warning",
			text: "host \"larch\" {}\nshim \"s\" {\n  donor = \"/x\"\n  as    = \"rom\"\n}\n",
			want: `layout.hcl:2:1: warning: no guest uses this shim
    shim "s" {
    ^^^^^^^^
  hint: add shim = shim.s to the guest that needs it
`,
		}, {
			name: "no place",
			text: "guest \"a\" {}\n",
			want: `layout has no host block
  A layout describes exactly one host.
  hint: add host "NAME" { } with the name that hostname prints
`,
		},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			_, ds := load(t, tt.text)
			assert.Equal(t, tt.want, printed(t, ds))
		})
	}
}

func TestPrintShortensLongLines(t *testing.T) {
	_, ds := load(t, "host \"larch\" {}\nguest \"a\" { system = \""+strings.Repeat("x", 5000)+"\" }\n")
	require.Len(t, ds, 1)
	out := printed(t, ds)
	assert.Less(t, len(out), 800)
	for line := range strings.Lines(out) {
		assert.Less(t, len(line), 400)
	}
}

// TestOrder: by place, however the reader came to them; one blank line between.
func TestOrder(t *testing.T) {
	text := "host \"larch\" {}\nguest \"b\" { retired = 1 }\nvalues { x = nope }\nguest \"a\" { retired = 1 }\n"
	_, ds := load(t, text)
	require.Len(t, ds, 3)
	lines := []int{ds[0].At.Line, ds[1].At.Line, ds[2].At.Line}
	assert.Equal(t, []int{2, 3, 4}, lines)
	assert.Equal(t, 2, strings.Count(printed(t, ds), "\n\n"))
}

func TestDiagnosticsAsError(t *testing.T) {
	_, ds := load(t, "host \"larch\" {}\nguest \"a\" { retired = 1 }\n")
	var err error = ds
	assert.EqualError(t, err, "layout.hcl:2:23: retired must be true or false")
	var back spec.Diagnostics
	assert.True(t, errors.As(err, &back))

	var none spec.Diagnostics
	assert.False(t, none.HasErrors())
	assert.Equal(t, "no diagnostics", none.Error())
}

func TestDiagnosticAsJSON(t *testing.T) {
	_, ds := load(t, "host \"larch\" {}\nguest \"a\" { retired = 1 }\n")
	text, err := json.Marshal(ds)
	require.NoError(t, err)
	assert.JSONEq(t, `[{
		"severity": "error",
		"summary": "retired must be true or false",
		"detail": "It is a number.",
		"at": {"file": "layout.hcl", "line": 2, "column": 23},
		"source": {"before": "guest \"a\" { retired = ", "meant": "1", "after": " }"}
	}]`, string(text))
}

// TestTooManyDiagnostics: a file that is no layout does not flood the reader,
// and an error among those not shown is still one.
func TestTooManyDiagnostics(t *testing.T) {
	layout, ds := load(t, strings.Repeat("}\n", 100_000))
	assert.Nil(t, layout)
	assert.LessOrEqual(t, len(ds), 501)

	text := "host \"larch\" {}\n" + strings.Repeat("guest \"a\" {}\n", 2001)
	_, ds = load(t, text)
	require.Len(t, ds, 501)
	assert.Equal(t, "1500 more mistakes not shown", ds[500].Summary)

	shims := "host \"larch\" {}\n"
	for i := range 501 {
		shims += fmt.Sprintf("shim \"s%d\" {\n  donor = \"/x\"\n  as = \"rom\"\n}\n", i)
	}
	layout, ds = load(t, shims)
	assert.NotNil(t, layout)
	assert.False(t, ds.HasErrors())
	layout, ds = load(t, shims+"guest \"a\" { retired = 1 }\n")
	assert.Nil(t, layout)
	assert.True(t, ds.HasErrors())
}

// TestHostileFiles: what would overflow the parser's stack or keep it busy for
// minutes is refused before it is parsed.
func TestHostileFiles(t *testing.T) {
	for name, tt := range map[string]struct{ piece, want string }{
		"braces":         {"a {\n", "nested too deep"},
		"brackets":       {"[", "nested too deep"},
		"interpolations": {`"${`, "nested too deep"},
		"sums":           {"1+", "expression is too long"},
		"sums on lines":  {"1\n+\n", "expression is too long"},
		"conditions":     {"a?b:", "expression is too long"},
		"negations":      {"!", "expression is too long"},
		"indexes":        {"[0]", "expression is too long"},
		"comments":       {"1 + # c\n# d\n", "expression is too long"},
		"directives":     {`"%{ if true }", `, "too many template directives"},
		"lines of text":  {"<<A\n", "text is too long"},
	} {
		t.Run(name, func(t *testing.T) {
			text := "a = (" + strings.Repeat(tt.piece, 200_000/len(tt.piece))
			_, ds := load(t, text)
			require.Len(t, ds, 1)
			assert.Equal(t, tt.want, ds[0].Summary)
			_, ds = spec.Format([]byte(text), "layout.hcl")
			assert.True(t, ds.HasErrors())
		})
	}
	_, ds := load(t, strings.Repeat("#", 1<<20+1))
	require.Len(t, ds, 1)
	assert.Equal(t, "file is too large", ds[0].Summary)
}

// TestDeepFiles: what is just not deep enough to be looked at before parsing is
// parsed without harm, and refused before it is computed.
func TestDeepFiles(t *testing.T) {
	const deep = 2_490 // pieces, each with at most two bytes that count
	for _, piece := range [][2]string{{"(", ")"}, {"[", "]"}, {"{a=", "}"}, {"f(", ")"}, {"\"${", "}\""}, {"-", ""}, {"true?[", "]:[]"}} {
		text := "host \"larch\" {}\nvalues { a = " + strings.Repeat(piece[0], deep) + "1" + strings.Repeat(piece[1], deep) + " }\n"
		layout, ds := load(t, text)
		assert.Nil(t, layout)
		summaries := ""
		for _, d := range ds {
			summaries += d.Summary + "\n"
		}
		assert.Contains(t, summaries, "nested too deep", piece[0])
	}
}
