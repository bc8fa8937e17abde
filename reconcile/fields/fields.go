// Package fields describes every field of a JSON file in Markdown, by the comments
// that stand beside it in the sources. Start at Of.
package fields

import (
	"embed"
	"encoding"
	"fmt"
	"io/fs"
	"reflect"
	"regexp"
	"strings"
	"time"
	"unicode"

	"lendkeep/spec/plain"
)

// Of describes a type and all that is in it, a section for each, itself first.
// Sources are those of the packages that they are in, by import path.
func Of(root reflect.Type, sources map[string]embed.FS) string {
	m := manual{said: map[string]string{}, seen: map[reflect.Type]bool{}}
	for in, of := range sources {
		m.comments(in, of)
	}
	m.section(root)
	return m.text.String()
}

type manual struct {
	said map[string]string // by type, and by type and key
	seen map[reflect.Type]bool
	text strings.Builder
}

// section describes a type, then those of its fields that were not yet.
func (m *manual) section(of reflect.Type) {
	if m.seen[of] {
		return
	}
	m.seen[of] = true
	fmt.Fprintf(&m.text, "### %s\n\n%s\n\n", inWords(of), plain.Markdown(m.said[nameOf(of)]))
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
		if said := m.said[nameOf(of)+"."+key]; said != "" {
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

// nameOf tells types of one name in two packages apart.
func nameOf(of reflect.Type) string { return of.PkgPath() + "." + of.Name() }

// comments reads what a package's sources say of its structs and of fields, behind
// them or above.
func (m *manual) comments(in string, sources fs.ReadDirFS) {
	typeLine := regexp.MustCompile(`^type (\w+) struct \{`)
	fieldLine := regexp.MustCompile("^\t\\w+\\s.*`json:\"(\\w+)[^`]*`(?:\\s*// (.*))?")
	entries, err := sources.ReadDir(".")
	if err != nil {
		panic(err) // of an embedded folder
	}
	for _, e := range entries {
		content, err := fs.ReadFile(sources, e.Name())
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
				of = in + "." + head[1]
				m.said[of] = above
			}
			if field := fieldLine.FindStringSubmatch(line); field != nil && of != "" {
				m.said[of+"."+field[1]] = strings.TrimSpace(above + " " + field[2])
			}
			above = ""
		}
	}
}
