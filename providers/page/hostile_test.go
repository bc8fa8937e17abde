package page_test

import (
	"reflect"
	"regexp"
	"strings"
	"testing"
	"unicode"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	written "lendkeep/providers/page"
	"lendkeep/reconcile/page"
)

// evils are texts that mean something to a browser in one place or another, or act on
// whoever reads them (common practice; the last as in the command's own tests).
var evils = []string{
	`"><script>alert(1)</script>`, `' onmouseover='alert(1)`, `</style><style>*{display:none}`, `</title><h1>`, `<!--`, `]]>`, `&lt;&#60;&amp;`,
	`javascript:alert(1)`, `{{.Policy}}`, `url(//x)`, "`", `\`, `%00`, "\x00\x1b[2J", "\u202egnp", "\u2028\n\r\t", "\xff\xfe", strings.Repeat("wide ", 5000), strings.Repeat("W", 5000),
}

var (
	tags   = regexp.MustCompile(`<[^>]*>`)
	values = regexp.MustCompile(`="[^"]*"`)
)

// skeleton is what of a page is not text: its tags with the names of their attributes.
func skeleton(content []byte) string {
	var list []string
	for _, tag := range tags.FindAllString(string(content), -1) {
		list = append(list, values.ReplaceAllString(tag, `=""`))
	}
	return strings.Join(list, "\n")
}

// A page has the same tags whatever its texts say, and none of them acts.
func TestHostileTexts(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		harmless, err := written.Write(drawn(t))
		require.NoError(t, err)
		evil := rapid.SampledFrom(evils).Draw(t, "text")
		p := drawn(t)
		put(reflect.ValueOf(&p).Elem(), evil)
		hostile, err := written.Write(p)
		require.NoError(t, err)
		assert.True(t, skeleton(harmless) == skeleton(hostile), "other tags for %.40q", evil)
		for _, r := range string(hostile) {
			if r != '\n' && unicode.In(r, unicode.Cc, unicode.Cf, unicode.Zl, unicode.Zp) {
				t.Fatalf("%U is in the page", r)
			}
		}
	})
}

// put appends a text to every other one of a value, but for IDs and what leads to them,
// which reconcile/page writes of safe characters alone, and the words that are of a
// type of their own.
func put(v reflect.Value, evil string) {
	switch v.Kind() {
	case reflect.Pointer:
		if !v.IsNil() {
			put(v.Elem(), evil)
		}
	case reflect.Slice:
		for i := range v.Len() {
			put(v.Index(i), evil)
		}
	case reflect.Struct:
		for i := range v.NumField() {
			if f := v.Type().Field(i); f.IsExported() && f.Name != "ID" && f.Name != "To" && f.Name != "Severity" && (f.Name != "Kind" || v.Type() != reflect.TypeFor[page.Mark]()) {
				put(v.Field(i), evil)
			}
		}
	case reflect.String:
		if v.Type() == reflect.TypeFor[string]() && v.String() != "" {
			v.SetString(v.String() + evil)
		}
	}
}
