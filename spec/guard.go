package spec

import (
	"fmt"
	"regexp"

	"github.com/hashicorp/hcl/v2"
	"github.com/hashicorp/hcl/v2/hclsyntax"
)

// Limits of one layout file. The parser and the evaluation recurse as deep as
// the text nests, and a Go stack that overflows cannot be caught; so the tokens
// are looked at first. People's layouts stay far below all of these.
const (
	maxFileBytes  = 1 << 20
	maxNesting    = 40  // open brackets, braces and interpolations
	maxChain      = 200 // operators, calls and indexes in one expression
	maxDirectives = 100 // %{ } in all templates of a file
	maxDigits     = 40  // characters of one number
)

// farExponent finds numbers such as 1e999999: a few characters that would take
// gigabytes when written out.
var farExponent = regexp.MustCompile(`[eE][+-]?[0-9]{3,}$`)

// guard tells what in a file is too much to be parsed, or nil.
func guard(name string, src []byte) *hcl.Diagnostic {
	if len(src) > maxFileBytes {
		start := hcl.Range{Filename: name, Start: hcl.InitialPos, End: hcl.InitialPos}
		return tooMuch(start, "file is too large",
			fmt.Sprintf("The file has %d bytes; a layout file may have %d.", len(src), maxFileBytes))
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

// depthGuard counts what makes the parser recurse.
type depthGuard struct {
	nesting    int
	chain      int
	directives int
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
}

func (g *depthGuard) exceeded(token hclsyntax.Token) *hcl.Diagnostic {
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
	case token.Type == hclsyntax.TokenNumberLit && (len(token.Bytes) > maxDigits || farExponent.Match(token.Bytes)):
		return tooMuch(token.Range, "number is out of all proportion",
			fmt.Sprintf("A number may have %d characters and its exponent two digits.", maxDigits))
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

func tooMuch(rng hcl.Range, summary, detail string) *hcl.Diagnostic {
	return &hcl.Diagnostic{Severity: hcl.DiagError, Summary: summary, Detail: detail, Subject: &rng}
}
