package spec

import (
	"bytes"
	"strings"

	"github.com/hashicorp/hcl/v2"
	"github.com/hashicorp/hcl/v2/hclsyntax"
	"github.com/hashicorp/hcl/v2/hclwrite"
)

// Format gives a layout file in canonical form: two spaces an indent, equal
// signs below each other, one blank line around top-level blocks of several
// lines, never two blank lines. Only white space and line ends change, so the
// meaning stays. Text with broken syntax is not touched: nil and diagnostics
// that name file.
func Format(src []byte, file string) ([]byte, Diagnostics) {
	r := newReader(Given{})
	bodies := r.parse([]File{{Name: file, Bytes: src}})
	if r.failed {
		return nil, r.reported()
	}
	// Spacing goes first: which lines are aligned with each other depends on
	// the blank lines between them.
	return hclwrite.Format(respace(src, bodies[0])), r.reported()
}

// respace writes the tokens of a file again with canonical line ends.
func respace(src []byte, body *hclsyntax.Body) []byte {
	tokens, _ := hclsyntax.LexConfig(src, "", hcl.InitialPos)
	s := spacer{src: src, tokens: tokens, edges: tallBlocks(body), last: hclsyntax.TokenNil}
	for i, token := range tokens {
		s.write(i, token)
	}
	return s.out.Bytes()
}

// spacer copies tokens and holds line ends back until it knows what follows.
type spacer struct {
	src    []byte
	tokens hclsyntax.Tokens
	edges  edges
	out    bytes.Buffer
	end    int                 // byte in src after the last token
	last   hclsyntax.TokenType // but line ends
	tall   bool                // a block of several lines ends on the last line
	remark bool                // the last line is a comment and nothing else
	breaks int                 // line ends since the last token
}

func (s *spacer) write(i int, token hclsyntax.Token) {
	from, to := token.Range.Start.Byte, token.Range.End.Byte
	gap := s.src[s.end:from]
	s.end = to
	switch token.Type {
	case hclsyntax.TokenNewline:
		s.breaks++
		return
	case hclsyntax.TokenEOF:
		if s.out.Len() > 0 {
			s.out.WriteByte('\n')
		}
		return
	}
	ends := s.lineEnds(i)
	s.out.WriteString(strings.Repeat("\n", ends))
	s.out.Write(gap)
	comment := token.Type == hclsyntax.TokenComment
	s.remark = comment && (ends > 0 || s.last == hclsyntax.TokenNil)
	s.tall = s.edges.last[to] || (s.tall && comment && ends == 0)
	s.breaks, s.last = 0, token.Type
	text := s.src[from:to]
	if comment {
		// A comment to the end of its line holds the line end, too.
		if bytes.HasSuffix(text, []byte("\n")) {
			s.breaks = 1
		}
		text = bytes.TrimRight(text, " \t\r\n")
	}
	s.out.Write(text)
}

// lineEnds gives how many line ends belong before the token at i.
func (s *spacer) lineEnds(i int) int {
	switch {
	case s.out.Len() == 0 || s.breaks == 0:
		return 0
	case opens(s.last) || closes(s.tokens[i].Type):
		return 1
	case s.tall || (!s.remark && s.edges.first[s.followed(i)]):
		return 2
	default:
		return min(s.breaks, 2)
	}
}

// followed gives the start of what the token at i stands for: comments belong
// to what follows them without a blank line.
func (s *spacer) followed(i int) int {
	for i+1 < len(s.tokens) && s.tokens[i].Type == hclsyntax.TokenComment {
		i++
	}
	return s.tokens[i].Range.Start.Byte
}

// edges are the bytes at which top-level blocks of several lines start and end.
type edges struct {
	first map[int]bool
	last  map[int]bool
}

func tallBlocks(body *hclsyntax.Body) edges {
	e := edges{first: map[int]bool{}, last: map[int]bool{}}
	for _, b := range body.Blocks {
		if b.OpenBraceRange.Start.Line != b.CloseBraceRange.Start.Line {
			e.first[b.TypeRange.Start.Byte] = true
			e.last[b.CloseBraceRange.End.Byte] = true
		}
	}
	return e
}
