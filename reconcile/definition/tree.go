package definition

import (
	"encoding/xml"
	"fmt"
	"io"
	"slices"
	"strings"

	"github.com/beevik/etree"
)

// Limits of a definition. encoding/xml has none for depth, and everything that
// walks the tree recurses. The largest definitions in use have about 20 levels,
// 200 KB and 20 attributes an element (common practice).
const (
	maxBytes      = 4 << 20
	maxDepth      = 200
	maxAttributes = 100
)

// tree is a definition's DOM that remembers how each part was written, since
// no writer reproduces all of libvirt's: it quotes attributes with ' and
// escapes like virBufferEscapeString, but hands <metadata> to libxml2, which
// does neither.
type tree struct {
	doc     *etree.Document
	guest   *etree.Element // the root, <domain>
	written map[etree.Token]*source
}

// source is how a token was written, and what it meant. It holds as long as
// the token still means that.
type source struct {
	open  string // a start tag, or the whole token where it is not an element
	close string // an end tag; empty where the start tag closes itself
	attrs []xml.Attr
	text  string
}

// parse reads a definition. Whatever libvirt would not print is refused rather
// than guessed at: a document type, two attributes of one name, text around
// the root.
func parse(text string) (*tree, error) {
	if len(text) > maxBytes {
		return nil, fmt.Errorf("read definition: %d bytes are more than the %d that are read", len(text), maxBytes)
	}
	t := &tree{doc: etree.NewDocument(), written: make(map[etree.Token]*source, len(text)/24)}
	r := reader{tree: t, text: text, decoder: xml.NewDecoder(strings.NewReader(text)), open: []*etree.Element{&t.doc.Element}}
	if err := r.all(); err != nil {
		return nil, fmt.Errorf("read definition: %w", err)
	}
	t.guest = t.doc.Root()
	switch {
	case t.guest == nil:
		return nil, fmt.Errorf("read definition: it is empty, a guest's definition starts with <domain>")
	case t.guest.FullTag() != "domain":
		return nil, fmt.Errorf("read definition: it starts with <%s>, a guest's definition starts with <domain>", t.guest.FullTag())
	}
	return t, nil
}

type reader struct {
	tree    *tree
	text    string
	decoder *xml.Decoder
	open    []*etree.Element // the document, then the elements around the next token
	sources []source         // room for some more of them, taken at once
}

func (r *reader) all() error {
	for {
		start := r.decoder.InputOffset()
		token, err := r.decoder.RawToken()
		if err == io.EOF {
			break
		}
		if err != nil {
			return err
		}
		if err := r.token(token, r.text[start:r.decoder.InputOffset()]); err != nil {
			line, column := r.decoder.InputPos()
			return fmt.Errorf("line %d, column %d: %w", line, column, err)
		}
	}
	if len(r.open) > 1 {
		return fmt.Errorf("the end tag of <%s> is missing", r.top().FullTag())
	}
	return nil
}

// keep notes how a token was written.
func (r *reader) keep(token etree.Token, was source) {
	if len(r.sources) == cap(r.sources) {
		r.sources = make([]source, 0, 16)
	}
	r.sources = append(r.sources, was)
	r.tree.written[token] = &r.sources[len(r.sources)-1]
}

func (r *reader) top() *etree.Element { return r.open[len(r.open)-1] }

func (r *reader) token(token xml.Token, raw string) error {
	switch token := token.(type) {
	case xml.StartElement:
		return r.start(token, raw)
	case xml.EndElement:
		return r.end(token, raw)
	case xml.CharData:
		if len(r.open) == 1 && strings.TrimSpace(string(token)) != "" {
			return fmt.Errorf("text %.20q stands outside of the root element", token)
		}
		text := raw // most of it stands for itself, and needs no copy
		if string(token) != raw {
			text = string(token)
		}
		r.keep(r.top().CreateCharData(text), source{open: raw, text: text})
	case xml.Comment:
		r.keep(r.top().CreateComment(string(token)), source{open: raw})
	case xml.ProcInst:
		r.keep(r.top().CreateProcInst(token.Target, string(token.Inst)), source{open: raw})
	default:
		return fmt.Errorf("%.20s: a definition has no such declaration", raw)
	}
	return nil
}

func (r *reader) start(token xml.StartElement, raw string) error {
	if len(r.open) > maxDepth {
		return fmt.Errorf("elements are nested deeper than %d levels", maxDepth)
	}
	if len(r.open) == 1 && r.tree.doc.Root() != nil {
		return fmt.Errorf("<%s> follows the root element", token.Name.Local)
	}
	if len(token.Attr) > maxAttributes {
		return fmt.Errorf("<%s> has more than %d attributes", token.Name.Local, maxAttributes)
	}
	e := etree.NewElement(token.Name.Local)
	e.Space, e.Attr = token.Name.Space, make([]etree.Attr, 0, len(token.Attr))
	for i, a := range token.Attr {
		if slices.ContainsFunc(token.Attr[:i], func(b xml.Attr) bool { return a.Name == b.Name }) {
			return fmt.Errorf("<%s> has the attribute %s twice", e.FullTag(), a.Name.Local)
		}
		e.Attr = append(e.Attr, etree.Attr{Space: a.Name.Space, Key: a.Name.Local, Value: a.Value})
	}
	r.top().AddChild(e)
	r.keep(e, source{open: raw, attrs: token.Attr})
	r.open = append(r.open, e)
	return nil
}

// end takes an end tag; raw is empty for an element that closes itself.
func (r *reader) end(token xml.EndElement, raw string) error {
	e := r.top()
	if len(r.open) == 1 || e.Space != token.Name.Space || e.Tag != token.Name.Local {
		return fmt.Errorf("the end tag of %s closes nothing", token.Name.Local)
	}
	r.tree.written[e].close = raw
	r.open = r.open[:len(r.open)-1]
	return nil
}
