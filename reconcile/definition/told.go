package definition

import (
	"strings"
	"unicode"

	"github.com/beevik/etree"
)

// maxSpelled bounds what a sentence shows of an element, in bytes. Longer ones
// stand in the difference that an order shows.
const maxSpelled = 300

// lose takes an element away and says so.
func (e *edit) lose(of string, el *etree.Element) {
	e.say("%s: without %s", of, spelled(el))
	drop(el)
}

// loseAttr takes an attribute away and says so.
func (e *edit) loseAttr(of string, el *etree.Element, key string) {
	e.say("%s: without %s='%s' of <%s>", of, key, attr(el, key), el.Tag)
	unset(el, key)
}

// spelled gives an element on one line, as a sentence can show it.
func spelled(e *etree.Element) string {
	var out strings.Builder
	spell(&out, e)
	text := strings.Map(func(r rune) rune {
		if unicode.IsControl(r) {
			return ' '
		}
		return r
	}, out.String())
	if len(text) > maxSpelled {
		text = strings.ToValidUTF8(text[:maxSpelled], "") + "..."
	}
	return text
}

func spell(out *strings.Builder, e *etree.Element) {
	writeStart(out, e, false)
	for _, token := range e.Child {
		switch token := token.(type) {
		case *etree.Element:
			spell(out, token)
		case *etree.CharData:
			out.WriteString(libvirtText.Replace(strings.TrimSpace(token.Data)))
		case *etree.Comment:
			out.WriteString("<!--" + token.Data + "-->")
		}
	}
	if len(e.Child) > 0 {
		out.WriteString("</" + e.FullTag() + ">")
	}
}

// bare tells whether an element holds nothing: no elements, no text, no comment.
func bare(e *etree.Element) bool {
	for _, token := range e.Child {
		if !blank(token) {
			return false
		}
	}
	return true
}
