package definition

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/beevik/etree"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/testdata/outside"
)

// grammar is a RELAX NG schema (RELAX NG Specification, OASIS 2001) with what
// it includes: its definitions by name, several where they are combined.
type grammar struct {
	defines map[string][]*etree.Element
	start   []*etree.Element
	read    map[string]bool
	places  map[string]bool // "domain/devices/disk/source/@file", "domain/name/.", "domain/os/"
	walked  map[visit]bool
}

type visit struct {
	pattern *etree.Element
	path    string
}

// readGrammar reads libvirt's own schema of definitions.
func readGrammar(t *testing.T) *grammar {
	t.Helper()
	if _, err := os.Stat(schema); err != nil {
		outside.Missing(t, "libvirt's schemas are not installed (Debian package libvirt0): "+err.Error())
	}
	g := &grammar{defines: map[string][]*etree.Element{}, read: map[string]bool{}, places: map[string]bool{}, walked: map[visit]bool{}}
	g.include(t, filepath.Base(schema))
	for _, s := range g.start {
		g.walk(t, s, nil, nil)
	}
	return g
}

func (g *grammar) include(t *testing.T, file string) {
	if g.read[file] {
		return
	}
	g.read[file] = true
	doc := etree.NewDocument()
	require.NoError(t, doc.ReadFromFile(filepath.Join(filepath.Dir(schema), file)))
	for _, e := range doc.Root().ChildElements() {
		switch e.Tag {
		case "include":
			require.Empty(t, e.ChildElements(), "an include that overrides is not understood")
			g.include(t, attr(e, "href"))
		case "define":
			g.defines[attr(e, "name")] = append(g.defines[attr(e, "name")], e.ChildElements()...)
		case "start":
			g.start = append(g.start, e.ChildElements()...)
		default:
			require.Failf(t, "part of a grammar that is not understood", "<%s> in %s", e.Tag, file)
		}
	}
}

// walk follows a pattern with the elements around it and the references that
// led there from the innermost of them.
func (g *grammar) walk(t *testing.T, p *etree.Element, path, through []string) {
	here := strings.Join(path, "/")
	switch p.Tag {
	case "element":
		g.element(t, p, path)
	case "attribute":
		g.places[here+"/@"+attr(p, "name")] = true
		require.NotEmpty(t, attr(p, "name"), "an attribute of any name at %s", here)
	case "text", "data", "value":
		g.places[here+"/."] = true
	case "ref":
		name := attr(p, "name")
		require.Contains(t, g.defines, name)
		if slices.Contains(through, name) {
			return
		}
		for _, c := range g.defines[name] {
			g.walk(t, c, path, append(through[:len(through):len(through)], name))
		}
	case "choice", "group", "interleave", "optional", "zeroOrMore", "oneOrMore", "mixed", "list":
		if p.Tag == "mixed" || p.Tag == "list" {
			g.places[here+"/."] = true
		}
		for _, c := range p.ChildElements() {
			g.walk(t, c, path, through)
		}
	case "empty", "notAllowed":
	default:
		require.Failf(t, "pattern that is not understood", "<%s> at %s", p.Tag, here)
	}
}

func (g *grammar) element(t *testing.T, p *etree.Element, path []string) {
	if child(p, "anyName") != nil {
		require.Equal(t, []string{"domain", "metadata"}, path, "an element of any name")
		return
	}
	tag := attr(p, "name")
	require.NotEmpty(t, tag)
	if space := spaceOf(p); space != "" {
		require.Contains(t, spaces, space)
		tag = spaces[space] + ":" + tag
	}
	// The same element inside itself goes on as the first, as in under.
	if at := slices.Index(path, tag); at > 0 {
		path = path[:at]
	}
	path = append(path[:len(path):len(path)], tag)
	if at := (visit{p, strings.Join(path, "/")}); g.walked[at] {
		return
	} else {
		g.walked[at] = true
	}
	g.places[strings.Join(path, "/")+"/"] = true
	for _, c := range p.ChildElements() {
		g.walk(t, c, path, nil)
	}
}

// spaceOf gives the namespace of an element pattern, which those inside it
// share (RELAX NG 4.8).
func spaceOf(p *etree.Element) string {
	for ; p != nil; p = p.Parent() {
		if a := p.SelectAttr("ns"); a != nil {
			return a.Value
		}
	}
	return ""
}

// lacking lists the places of the schema that a table does not have.
func (g *grammar) lacking(table *node) []string {
	var list []string
	for place := range g.places {
		at, name := place[:strings.LastIndex(place, "/")], strings.TrimPrefix(place[strings.LastIndex(place, "/")+1:], "@")
		n := table
		for _, tag := range strings.Split(at, "/")[1:] {
			if n != nil {
				n = n.children[tag]
			}
		}
		if n == nil {
			list = append(list, place)
		} else if _, has := n.place(name); name != "" && !has {
			list = append(list, place)
		}
	}
	slices.Sort(list)
	return list
}

// has tells whether the schema has one of a row's elements with that place.
func (g *grammar) has(r row, name string) bool {
	return slices.ContainsFunc(expand(r.at), func(at string) bool {
		at = strings.TrimSuffix("domain/"+at, "/")
		return name == "" && g.places[at+"/"] || name == "." && g.places[at+"/."] || g.places[at+"/@"+name]
	})
}

// Every attribute, text and element that libvirt 9.0.0's schema has is in the
// table (Debian package libvirt0, /usr/share/libvirt/schemas/domain.rng and
// what it includes), whatever its type: words and numbers too.
func TestTableHasEveryPlaceOfTheSchema(t *testing.T) {
	g := readGrammar(t)
	assert.Greater(t, len(g.places), 2000, "the schema was not walked to its end")
	assert.Empty(t, g.lacking(table()))
}

// The table has nothing that neither the schema has nor a later libvirt.
func TestTableHasNothingElse(t *testing.T) {
	g := readGrammar(t)
	for _, r := range patterns() {
		names := strings.Fields(r.names)
		if len(names) == 0 {
			names = []string{""}
		}
		for _, name := range names {
			assert.Equal(t, r.since == "", g.has(r, name), "%s %s, since %q", r.at, name, r.since)
		}
		assert.NotEmpty(t, r.why, r.at)
	}
}

// A table without one of its rows is found out; every ninth is tried.
func TestSchemaFindsRowsThatAreMissing(t *testing.T) {
	g, rows := readGrammar(t), patterns()
	for i, r := range rows {
		if i%9 == 0 && r.since == "" && r.names != "" {
			assert.NotEmpty(t, g.lacking(plant(slices.Concat(rows[:i], rows[i+1:]))), "%s %s", r.at, r.names)
		}
	}
}
