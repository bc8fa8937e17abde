package spec_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"lendkeep/spec"
)

func TestFormat(t *testing.T) {
	tests := []struct{ name, text, want string }{
		{"nothing", "", ""},
		{"white space only", "\n\n  \n", ""},
		{"end of file", "host \"larch\" {}", "host \"larch\" {}\n"},
		{"indent and alignment",
			"guest \"a\" {\nsystem=\"linux\"\n      retired    = false\n}\n",
			"guest \"a\" {\n  system  = \"linux\"\n  retired = false\n}\n"},
		{"blank lines inside",
			"guest \"a\" {\n\n\n  retired = true\n\n\n\n  cpu {\n    count = 1\n  }\n\n}\n\n\n",
			"guest \"a\" {\n  retired = true\n\n  cpu {\n    count = 1\n  }\n}\n"},
		{"blank lines around tall blocks, not between short ones",
			"shift \"a\" { guests = [] }\nshift \"b\" { guests = [] }\nguest \"c\" {\n}\nshift \"d\" { guests = [] }\n",
			"shift \"a\" { guests = [] }\nshift \"b\" { guests = [] }\n\nguest \"c\" {\n}\n\nshift \"d\" { guests = [] }\n"},
		{"comments stay with what follows",
			"shift \"a\" { guests = [] }\n# one\n# two\nguest \"c\" {\n}\n# three\n\n# four\nshift \"d\" { guests = [] }\n",
			"shift \"a\" { guests = [] }\n\n# one\n# two\nguest \"c\" {\n}\n\n# three\n\n# four\nshift \"d\" { guests = [] }\n"},
		{"comments stay with what they end",
			"guest \"a\" {\n} # end   \nshift \"d\" { guests = [] } // why\nguest \"b\" {\n}",
			"guest \"a\" {\n} # end\n\nshift \"d\" { guests = [] } // why\n\nguest \"b\" {\n}\n"},
		{"line ends of other systems",
			"guest \"a\" {\r\n  # c\r\n  retired = true\r\n}\r\n",
			"guest \"a\" {\n  # c\n  retired = true\n}\n"},
		{"text over several lines is not touched",
			"values {\n  a = <<EOT\n   one\n\n\n     two  \nEOT\n}\n",
			"values {\n  a = <<EOT\n   one\n\n\n     two  \nEOT\n}\n"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got, ds := spec.Format([]byte(tt.text), "layout.hcl")
			require.Empty(t, ds)
			assert.Equal(t, tt.want, string(got))
			again, _ := spec.Format(got, "layout.hcl")
			assert.Equal(t, tt.want, string(again))
		})
	}
}

func TestFormatRefusesBrokenSyntax(t *testing.T) {
	got, ds := spec.Format([]byte("guest \"a\" {\n  system = \n}\n"), "guests.hcl")
	assert.Nil(t, got)
	require.True(t, ds.HasErrors())
	assert.Equal(t, "guests.hcl:2", ds[0].At.String())
}

func TestExamplesAreCanonical(t *testing.T) {
	files, err := filepath.Glob("../examples/*/*.hcl")
	require.NoError(t, err)
	require.NotEmpty(t, files)
	for _, file := range files {
		text, err := os.ReadFile(file)
		require.NoError(t, err)
		got, ds := spec.Format(text, file)
		require.Empty(t, ds)
		assert.Equal(t, string(text), string(got), file)
	}
}

// TestFormatKeepsTheMeaning writes known layouts with random white space
// between their tokens and formats that: the layout is the same, and formatting
// again changes nothing.
func TestFormatKeepsTheMeaning(t *testing.T) {
	var files []spec.File
	for _, name := range []string{"testdata/language/larch.hcl", "../examples/library/host.hcl",
		"../examples/library/hardware.hcl", "../examples/library/guests.hcl"} {
		text, err := os.ReadFile(name)
		require.NoError(t, err)
		files = append(files, spec.File{Name: filepath.Base(name), Bytes: text})
	}
	layouts := [][]spec.File{files[:1], files[1:]}

	rapid.Check(t, func(t *rapid.T) {
		for _, files := range layouts {
			want, ds := spec.LoadSources("", files, larch)
			require.Empty(t, ds)
			var formatted []spec.File
			for _, f := range files {
				text, ds := spec.Format([]byte(shaken(t, string(f.Bytes))), f.Name)
				require.Empty(t, ds)
				again, _ := spec.Format(text, f.Name)
				require.Equal(t, string(text), string(again))
				formatted = append(formatted, spec.File{Name: f.Name, Bytes: text})
			}
			got, ds := spec.LoadSources("", formatted, larch)
			require.Empty(t, ds)
			got.Hash = want.Hash
			require.Equal(t, placeless(want), placeless(got))
		}
	})
}

// shaken changes the white space at the ends of lines and, outside of comments
// and texts, before and behind equal signs.
func shaken(t *rapid.T, text string) string {
	space := rapid.SampledFrom([]string{"", " ", "   ", "\t"})
	end := rapid.SampledFrom([]string{"\n", "\n\n", "\n\n\n\n", " \n", "\r\n"})
	var out strings.Builder
	for line := range strings.Lines(text) {
		line = strings.TrimSpace(line)
		if !strings.Contains(line, "#") {
			line = strings.Replace(line, " = ", space.Draw(t, "before")+"="+space.Draw(t, "behind"), 1)
		}
		out.WriteString(space.Draw(t, "indent") + line + end.Draw(t, "end"))
	}
	return out.String()
}
