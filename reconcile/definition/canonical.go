package definition

import (
	"fmt"
	"slices"
	"strings"

	"github.com/beevik/etree"
)

// Same tells whether two texts are one definition to libvirt: white space around
// elements, comments, quotes, the sequence of attributes and how an empty
// element is written make no difference (XML 1.0, 3.1; libvirt itself writes
// its own of each). Texts that are no definitions are the same only to the byte.
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
	for _, c := range e.Child {
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
