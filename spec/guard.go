package spec

import (
	"bytes"
	"fmt"

	"github.com/hashicorp/hcl/v2"
	"github.com/hashicorp/hcl/v2/hclsyntax"
)

// MaxFileBytes bounds one layout file.
const MaxFileBytes = 1 << 20

// Further limits of one. The parser recurses as deep as the text nests, and
// a Go stack that overflows cannot be caught; so the tokens of files that could
// nest that deep are looked at first. People's layouts stay far below these.
const (
	maxNesting    = 40  // open brackets, braces and interpolations
	maxChain      = 200 // operators, calls and indexes in one expression
	maxDirectives = 100 // %{ } in all templates of a file

	// Lines and escapes in one text; the parser joins them two by two, which
	// takes minutes where there are some ten thousand.
	maxPieces = 1000
)

// harmlessBytes is how many bytes that can nest a file may have without being
// looked at more closely: nested that deep, the parser takes less than 64 MiB of
// stack (measured), of the gigabyte that Go allows.
const harmlessBytes = 5_000

// excess tells what in a file is too much to be parsed, or nil.
func excess(name string, src []byte) *mistake {
	if len(src) > MaxFileBytes {
		start := hcl.Range{Filename: name, Start: hcl.InitialPos, End: hcl.InitialPos}
		return tooMuch(start, "file is too large",
			fmt.Sprintf("The file has %d bytes; a layout file may have %d.", len(src), MaxFileBytes))
	}
	if harmless(src) {
		return nil
	}
	tokens, _ := hclsyntax.LexConfig(src, name, hcl.InitialPos)
	depth := depthGuard{}
	for _, token := range tokens {
		depth.count(token.Type)
		if d := depth.exceeded(token); d != nil {
			return d
		}
	}
	return nil
}

// harmless tells from the bytes alone that a file cannot nest deep and has no
// text of many lines. That saves looking at its tokens, which takes as long as
// parsing it does.
func harmless(src []byte) bool {
	if bytes.Contains(src, []byte("<<")) || bytes.Contains(src, []byte("==")) {
		return false
	}
	nesting := 0
	for _, c := range src {
		switch c {
		case '{', '[', '(', '!', '-', '+', '*', '/', '%', '?', '<', '>', '&', '|', '\\':
			nesting++
		}
	}
	return nesting <= harmlessBytes
}

// depthGuard counts what makes the parser recurse.
type depthGuard struct {
	nesting    int
	chain      int
	directives int
	pieces     []int               // of every text that is open
	last       hclsyntax.TokenType // but line ends and comments
	lineEnded  bool                // since last
}

func (g *depthGuard) count(t hclsyntax.TokenType) {
	if t == hclsyntax.TokenNewline || t == hclsyntax.TokenComment {
		g.lineEnded = true
		return
	}
	// Inside of brackets an expression goes on over line ends, but only
	// where an operator or an opening bracket is on either side.
	if t == hclsyntax.TokenComma || (g.lineEnded && !joins(g.last) && !joins(t)) {
		g.chain = 0
	}
	g.last, g.lineEnded = t, false

	switch {
	case opens(t):
		g.nesting++
	case closes(t):
		g.nesting = max(g.nesting-1, 0)
	}
	if joins(t) {
		g.chain++
	}
	if t == hclsyntax.TokenTemplateControl {
		g.directives++
	}
	g.countPieces(t)
}

func (g *depthGuard) countPieces(t hclsyntax.TokenType) {
	switch open := len(g.pieces); {
	case t == hclsyntax.TokenOQuote, t == hclsyntax.TokenOHeredoc:
		g.pieces = append(g.pieces, 0)
	case open == 0:
	case t == hclsyntax.TokenCQuote, t == hclsyntax.TokenCHeredoc:
		g.pieces = g.pieces[:open-1]
	case t == hclsyntax.TokenQuotedLit, t == hclsyntax.TokenStringLit:
		g.pieces[open-1]++
	}
}

func (g *depthGuard) exceeded(token hclsyntax.Token) *mistake {
	switch {
	case g.nesting > maxNesting:
		return tooMuch(token.Range, "nested too deep",
			fmt.Sprintf("Brackets and braces may be nested %d deep.", maxNesting))
	case g.chain > maxChain:
		return tooMuch(token.Range, "expression is too long",
			fmt.Sprintf("One expression may have %d operators and calls.", maxChain))
	case g.directives > maxDirectives:
		return tooMuch(token.Range, "too many template directives",
			fmt.Sprintf("A file may have %d of them.", maxDirectives))
	case len(g.pieces) > 0 && g.pieces[len(g.pieces)-1] > maxPieces:
		return tooMuch(token.Range, "text is too long",
			fmt.Sprintf("One text may have %d lines and escapes.", maxPieces))
	default:
		return nil
	}
}

func opens(t hclsyntax.TokenType) bool {
	switch t {
	case hclsyntax.TokenOBrace, hclsyntax.TokenOBrack, hclsyntax.TokenOParen, hclsyntax.TokenOQuote,
		hclsyntax.TokenOHeredoc, hclsyntax.TokenTemplateInterp, hclsyntax.TokenTemplateControl:
		return true
	default:
		return false
	}
}

func closes(t hclsyntax.TokenType) bool {
	switch t {
	case hclsyntax.TokenCBrace, hclsyntax.TokenCBrack, hclsyntax.TokenCParen, hclsyntax.TokenCQuote,
		hclsyntax.TokenCHeredoc, hclsyntax.TokenTemplateSeqEnd:
		return true
	default:
		return false
	}
}

// joins tells whether a token joins two parts of one expression.
func joins(t hclsyntax.TokenType) bool {
	switch t {
	case hclsyntax.TokenStar, hclsyntax.TokenSlash, hclsyntax.TokenPlus, hclsyntax.TokenMinus,
		hclsyntax.TokenPercent, hclsyntax.TokenEqualOp, hclsyntax.TokenNotEqual,
		hclsyntax.TokenLessThan, hclsyntax.TokenLessThanEq, hclsyntax.TokenGreaterThan,
		hclsyntax.TokenGreaterThanEq, hclsyntax.TokenAnd, hclsyntax.TokenOr, hclsyntax.TokenBang,
		hclsyntax.TokenDot, hclsyntax.TokenQuestion, hclsyntax.TokenColon,
		hclsyntax.TokenOBrack, hclsyntax.TokenOParen, hclsyntax.TokenTemplateInterp:
		return true
	default:
		return false
	}
}

func tooMuch(rng hcl.Range, summary, detail string) *mistake {
	return &mistake{rng: rng, summary: summary, detail: detail}
}
