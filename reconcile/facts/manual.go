package facts

import (
	"embed"
	"encoding"
	"fmt"
	"reflect"
	"regexp"
	"strings"
	"time"
	"unicode"

	"lendkeep/spec/plain"
)

//go:embed *.go
var sources embed.FS

// Manual describes every field of the survey file, in Markdown, by the comments
// beside it in the sources: a section for each type, the survey itself first.
func Manual() string {
	m := manual{said: comments(), seen: map[reflect.Type]bool{}}
	fmt.Fprintf(&m.text, `What `+"`lendkeep survey -o FILE`"+` writes and whatever takes `+"`--survey FILE`"+` reads: one JSON
value, of format %d. A survey of another format, with a field that is not described
here, one twice, or without one that is always there, is refused. A field that is
marked "may be missing" is missing where it is empty, zero or false. Times are UTC.

## Fields

`, Format)
	m.section(reflect.TypeFor[Survey]())
	return m.text.String()
}

type manual struct {
	said map[string]string // by "Type" and "Type.key"
	seen map[reflect.Type]bool
	text strings.Builder
}

// section describes a type, then those of its fields that were not yet.
func (m *manual) section(of reflect.Type) {
	if m.seen[of] {
		return
	}
	m.seen[of] = true
	fmt.Fprintf(&m.text, "### %s\n\n%s\n\n", inWords(of), plain.Markdown(m.said[of.Name()]))
	for _, inner := range m.fields(of) {
		m.section(inner)
	}
}

func (m *manual) fields(of reflect.Type) (below []reflect.Type) {
	for i := range of.NumField() {
		f := of.Field(i)
		key, options, _ := strings.Cut(f.Tag.Get("json"), ",")
		if f.Anonymous && key == "" {
			below = append(below, m.fields(f.Type)...)
			continue
		}
		kind, inner := shapeOf(f.Type)
		if inner != nil {
			below = append(below, inner)
		}
		if strings.HasPrefix(options, "omit") {
			kind += ", may be missing"
		}
		fmt.Fprintf(&m.text, "`%s` %s\n", key, kind)
		if said := m.said[of.Name()+"."+key]; said != "" {
			fmt.Fprintf(&m.text, ": %s\n", plain.Markdown(said))
		}
		m.text.WriteString("\n")
	}
	return below
}

// shapeOf says what the JSON of a type is, and which struct is in it.
func shapeOf(of reflect.Type) (kind string, inner reflect.Type) {
	switch {
	case of == reflect.TypeFor[time.Time]():
		return "time", nil
	case of.Implements(reflect.TypeFor[encoding.TextMarshaler]()):
		return "text", nil
	}
	switch of.Kind() {
	case reflect.Pointer:
		return shapeOf(of.Elem())
	case reflect.Slice:
		kind, inner = shapeOf(of.Elem())
		return "list of " + kind, inner
	case reflect.Struct:
		return inWords(of), of
	case reflect.String:
		return "text", nil
	case reflect.Bool:
		return "true or false", nil
	default:
		return "number", nil
	}
}

// inWords writes a type's name as words: "boot entry".
func inWords(of reflect.Type) string {
	var words strings.Builder
	last := rune(0)
	for _, r := range of.Name() {
		if unicode.IsUpper(r) && unicode.IsLower(last) {
			words.WriteByte(' ')
		}
		words.WriteRune(r)
		last = r
	}
	return strings.ToLower(words.String())
}

// comments reads what the sources say of their structs and of fields, behind them
// or above.
func comments() map[string]string {
	typeLine := regexp.MustCompile(`^type (\w+) struct \{`)
	fieldLine := regexp.MustCompile("^\t\\w+\\s.*`json:\"(\\w+)[^`]*`(?:\\s*// (.*))?")
	said := map[string]string{}
	entries, err := sources.ReadDir(".")
	if err != nil {
		panic(err) // of an embedded folder
	}
	for _, e := range entries {
		content, err := sources.ReadFile(e.Name())
		if err != nil {
			panic(err)
		}
		of, above := "", ""
		for line := range strings.Lines(string(content)) {
			if comment, ok := strings.CutPrefix(strings.TrimSpace(line), "//"); ok {
				above = strings.TrimSpace(above + " " + strings.TrimSpace(comment))
				continue
			}
			if head := typeLine.FindStringSubmatch(line); head != nil {
				of = head[1]
				said[of] = above
			}
			if field := fieldLine.FindStringSubmatch(line); field != nil && of != "" {
				said[of+"."+field[1]] = strings.TrimSpace(above + " " + field[2])
			}
			above = ""
		}
	}
	return said
}
