package definition

import (
	"encoding/xml"
	"slices"
	"strings"

	"github.com/beevik/etree"
)

// String writes the definition: every token that still means what it meant is
// written as it was, so that an unedited tree gives its text back byte for byte.
func (t *tree) String() string {
	var out strings.Builder
	for _, token := range t.doc.Child {
		t.write(&out, token, false)
	}
	return out.String()
}

// write writes one token; inMetadata says that libxml2 would write it.
func (t *tree) write(out *strings.Builder, token etree.Token, inMetadata bool) {
	was := t.written[token]
	switch token := token.(type) {
	case *etree.Element:
		t.writeElement(out, token, inMetadata)
	case *etree.CharData:
		switch {
		case was != nil && was.text == token.Data:
			out.WriteString(was.open)
		case inMetadata:
			out.WriteString(metadataText.Replace(token.Data))
		default:
			out.WriteString(libvirtText.Replace(token.Data))
		}
	default: // comments and processing instructions are never edited or made
		out.WriteString(was.open)
	}
}

func (t *tree) writeElement(out *strings.Builder, e *etree.Element, inMetadata bool) {
	was := t.written[e]
	if was != nil && slices.EqualFunc(was.attrs, e.Attr, sameAttr) {
		open := was.open
		if was.close == "" && len(e.Child) > 0 {
			open = strings.TrimRight(strings.TrimSuffix(open, "/>"), " ") + ">"
		}
		out.WriteString(open)
		if was.close == "" && len(e.Child) == 0 {
			return
		}
	} else {
		writeStart(out, e, inMetadata)
		if len(e.Child) == 0 {
			return
		}
	}
	inMetadata = inMetadata || e.FullTag() == "metadata"
	for _, child := range e.Child {
		t.write(out, child, inMetadata)
	}
	if was != nil && was.close != "" {
		out.WriteString(was.close)
		return
	}
	out.WriteString("</" + e.FullTag() + ">")
}

func writeStart(out *strings.Builder, e *etree.Element, inMetadata bool) {
	out.WriteString("<" + e.FullTag())
	for _, a := range e.Attr {
		if inMetadata {
			out.WriteString(" " + a.FullKey() + `="` + metadataValue.Replace(a.Value) + `"`)
		} else {
			out.WriteString(" " + a.FullKey() + "='" + libvirtText.Replace(a.Value) + "'")
		}
	}
	if len(e.Child) == 0 {
		out.WriteString("/")
	}
	out.WriteString(">")
}

func sameAttr(was xml.Attr, is etree.Attr) bool {
	return was.Name.Space == is.Space && was.Name.Local == is.Key && was.Value == is.Value
}

// How libvirt escapes text and attributes (libvirt 9.0 src/util/virbuffer.c,
// virBufferEscapeString), and how libxml2 does within <metadata> (libxml2 2.9
// xmlsave.c and tree.c, xmlBufAttrSerializeTxtContent).
var (
	libvirtText   = strings.NewReplacer("&", "&amp;", "<", "&lt;", ">", "&gt;", "'", "&apos;", `"`, "&quot;")
	metadataText  = strings.NewReplacer("&", "&amp;", "<", "&lt;", ">", "&gt;", "\r", "&#13;")
	metadataValue = strings.NewReplacer("&", "&amp;", "<", "&lt;", ">", "&gt;", `"`, "&quot;", "\n", "&#10;", "\r", "&#13;", "\t", "&#9;")
)
