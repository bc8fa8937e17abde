package definition

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"github.com/beevik/etree"
)

// Same tells whether two texts are one definition to libvirt: white space around
// elements, comments, quotes, the sequence of attributes and how an empty
// element is written make no difference (XML 1.0, 3.1; libvirt itself writes
// its own of each), nor does where among the controllers those of one kind stand.
// Texts that are no definitions are the same only to the byte.
func Same(a, b string) bool { return a == b || Canonical(a) == Canonical(b) }

// Canonical gives one text for all those that are the same definition, and any
// text that is none as it is.
func Canonical(text string) string {
	t, err := parse(text)
	if err != nil {
		return text
	}
	var b strings.Builder
	canonical(&b, t.guest)
	return b.String()
}

func canonical(b *strings.Builder, e *etree.Element) {
	fmt.Fprintf(b, "<%s", e.FullTag())
	attributes := make([]string, 0, len(e.Attr))
	for _, a := range e.Attr {
		attributes = append(attributes, fmt.Sprintf(" %s=%q", a.FullKey(), a.Value))
	}
	slices.Sort(attributes)
	b.WriteString(strings.Join(attributes, "") + ">")
	var text strings.Builder
	flush := func() {
		if words := text.String(); strings.TrimSpace(words) != "" {
			fmt.Fprintf(b, "%q", words)
		}
		text.Reset()
	}
	for _, c := range together(e) {
		switch c := c.(type) {
		case *etree.CharData:
			text.WriteString(c.Data)
		case *etree.Element:
			flush()
			canonical(b, c)
		}
	}
	flush()
	b.WriteString("</>")
}

// together gives what is in an element, with all controllers of a kind at the first of
// them, by their numbers: so libvirt puts them when it reads a definition
// (src/conf/domain_conf.c, virDomainControllerInsertPreAlloced), but not those that it
// adds by itself. What it is given back has them elsewhere than what it gave.
func together(e *etree.Element) []etree.Token {
	list := slices.Clone(e.Child)
	var at []int
	var controllers []etree.Token
	for i, c := range list {
		if c, ok := c.(*etree.Element); ok && e.Tag == "devices" && c.Tag == "controller" {
			at, controllers = append(at, i), append(controllers, c)
		}
	}
	slices.SortStableFunc(controllers, func(a, b etree.Token) int {
		first, second := a.(*etree.Element), b.(*etree.Element)
		number := func(e *etree.Element) int {
			n, err := strconv.Atoi(e.SelectAttrValue("index", ""))
			if err != nil {
				return -1
			}
			return n
		}
		return cmp.Or(strings.Compare(first.SelectAttrValue("type", ""), second.SelectAttrValue("type", "")), cmp.Compare(number(first), number(second)))
	})
	for i, c := range controllers {
		list[at[i]] = c
	}
	return list
}
