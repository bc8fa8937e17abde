package spec

import (
	"bytes"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"unicode/utf8"

	"github.com/hashicorp/hcl/v2"
	"github.com/hashicorp/hcl/v2/hclsyntax"
)

// explain tells what is wrong where the parser could not go on: at a token, or at
// a byte within it. The first of these that knows the place has the word.
func (w *writing) explain(n, offset int) mistake {
	if w.is(n, hclsyntax.TokenEOF) && w.inside[n] >= 0 {
		return w.unclosed()
	}
	if m, knows := w.backslash(n, offset); knows {
		return m
	}
	for _, look := range []func(*writing, int) (mistake, bool){
		(*writing).interpolation, (*writing).strayClose, (*writing).unit, (*writing).bareText, (*writing).quotesApart,
		(*writing).loop, (*writing).openList, (*writing).wordOperator, (*writing).noValue, (*writing).otherSign, (*writing).quotedName,
		(*writing).twice, (*writing).apartBrace, (*writing).blockWithEquals, (*writing).noEquals, (*writing).oneLine, (*writing).comma,
		(*writing).sameLine, (*writing).commentMark,
	} {
		if m, knows := look(w, n); knows {
			return m
		}
	}
	return mistake{w.tokens[n].Range, w.cited(n) + " cannot stand here", "A layout consists of blocks, as guest \"NAME\" { … }, and of attributes, as system = \"linux\", each of which begins a line.", ""}
}

// named calls a token by what a reader sees.
func (w *writing) named(n int) string {
	switch t := w.tokens[n]; t.Type {
	case hclsyntax.TokenNewline:
		return "the end of the line"
	case hclsyntax.TokenEOF:
		return "the end of the file"
	case hclsyntax.TokenOQuote, hclsyntax.TokenOHeredoc, hclsyntax.TokenQuotedLit, hclsyntax.TokenStringLit:
		return "a text"
	default:
		return quote(t.Bytes)
	}
}

// cited is the same where a sentence begins with it: what the file says itself stands
// in quotes then.
func (w *writing) cited(n int) string {
	named := w.named(n)
	if named != quote(w.tokens[n].Bytes) {
		return named
	}
	return `"` + named + `"`
}

// openAt gives what is open at a token, the innermost first.
func (w *writing) openAt(n int) []int {
	var list []int
	if n < 0 {
		return nil
	}
	for around := w.inside[n]; around >= 0; around = w.inside[around] {
		list = append(list, around)
	}
	return list
}

func (w *writing) backslash(n, offset int) (mistake, bool) {
	if !w.is(n, hclsyntax.TokenQuotedLit) || w.src[offset] != '\\' {
		return mistake{}, false
	}
	rng := w.tokens[n].Range
	before := string(w.src[rng.Start.Byte:offset])
	rng.Start.Column, rng.Start.Byte = rng.Start.Column+utf8.RuneCountInString(before), offset
	rng.End = rng.Start
	rng.End.Byte = min(offset+2, w.tokens[n].Range.End.Byte)
	if next := w.src[min(offset+1, len(w.src)-1)]; next == 'u' || next == 'U' {
		return mistake{rng, "this backslash names no character", "\\u stands before four hexadecimal digits, \\U before eight, of a character that there is.", `write \\ for one backslash`}, true
	}
	return mistake{rng, "a single backslash cannot stand in a text", `It has a meaning in \n, \r, \t, \", \\, \u and \U only.`, `write \\ for one backslash`}, true
}

// interpolation tells of what is wrong between ${ and }.
func (w *writing) interpolation(n int) (mistake, bool) {
	if w.is(n, hclsyntax.TokenTemplateSeqEnd) {
		n = w.opened[n]
	}
	for _, opener := range append([]int{n}, w.openAt(n)...) {
		switch {
		case w.is(opener, hclsyntax.TokenOBrace, hclsyntax.TokenOBrack, hclsyntax.TokenOParen):
			return mistake{}, false
		case w.is(opener, hclsyntax.TokenTemplateInterp):
			return mistake{w.tokens[opener].Range, "what stands between ${ and } cannot be read", "In a text, ${…} is replaced by what is computed in it.", "write one value or reference in it, or $${ for these very characters"}, true
		case w.is(opener, hclsyntax.TokenTemplateControl):
			return mistake{w.tokens[opener].Range, "what stands between %{ and } cannot be read", "In a text, %{ begins a condition.", "write %%{ for these very characters"}, true
		}
	}
	return mistake{}, false
}

// strayClose tells of what closes nothing, or not what was opened last.
func (w *writing) strayClose(n int) (mistake, bool) {
	if !w.is(n, hclsyntax.TokenCBrace, hclsyntax.TokenCBrack, hclsyntax.TokenCParen) {
		return mistake{}, false
	}
	if opener := w.opened[n]; opener >= 0 {
		for inner := opener + 1; inner < n; inner++ {
			if w.open(inner) && w.inside[inner] == opener {
				return w.unclosedAt(inner), true
			}
		}
		if w.is(n, hclsyntax.TokenCBrace) && w.ofBlock(opener) && w.tokens[opener].Range.Start.Line < w.tokens[n].Range.Start.Line && !w.is(n-1, hclsyntax.TokenNewline) {
			return mistake{w.tokens[n].Range, "this } closes a block of several lines", fmt.Sprintf("It is the one that begins at %s.", placeOf(w.tokens[opener].Range)), "begin a new line before it; if it is one too many, remove it"}, true
		}
		return mistake{}, false
	}
	return mistake{w.tokens[n].Range, w.cited(n) + " closes nothing", "There is one more of them than there are openings before it.", "remove it, or see whether one before it closes too early"}, true
}

var units = map[string]string{"k": "kib", "kb": "kib", "kib": "kib", "m": "mib", "mb": "mib", "mib": "mib", "g": "gib", "gb": "gib", "gib": "gib", "t": "tib", "tb": "tib", "tib": "tib"}

// unit tells of a number with a unit behind it.
func (w *writing) unit(n int) (mistake, bool) {
	if !w.is(n, hclsyntax.TokenIdent) || !w.is(n-1, hclsyntax.TokenNumberLit) {
		return mistake{}, false
	}
	apart := w.tokens[n].Range.Start.Byte - w.tokens[n-1].Range.End.Byte
	number, word := w.named(n-1), w.named(n)
	m := mistake{rng: hcl.RangeBetween(w.tokens[n-1].Range, w.tokens[n].Range), summary: fmt.Sprintf("%q is no number", w.text(n-1, n))}
	switch call, size := units[strings.ToLower(word)]; {
	case size && apart <= 1:
		m.detail, m.hint = "Sizes are bytes; units are functions.", fmt.Sprintf("write %s(%s)", call, number)
	case apart > 0:
		return mistake{}, false
	case slices.Contains([]string{"ms", "s", "m", "h", "min"}, word):
		m.detail, m.hint = "A duration is a text.", fmt.Sprintf("write \"%s%s\"", number, strings.TrimSuffix(word, "in"))
	default:
		last := w.word(n - 1)
		m.rng = hcl.RangeBetween(w.tokens[n-1].Range, w.tokens[last].Range)
		m.detail, m.hint = "A number has digits only, and may have a point.", fmt.Sprintf("if it is meant as text, put it in quotes: %q", w.text(n-1, last))
	}
	return m, true
}

// bareText tells of a text without quotes, as a path or an address, behind an
// equals sign, a comma or an opening bracket.
func (w *writing) bareText(n int) (mistake, bool) {
	if w.is(n, hclsyntax.TokenComma, hclsyntax.TokenNewline) {
		return mistake{}, false
	}
	first := n
	for first > 0 && w.adjacent(first) && !w.is(first-1, hclsyntax.TokenEqual, hclsyntax.TokenComma, hclsyntax.TokenOBrack, hclsyntax.TokenOParen, hclsyntax.TokenOBrace) {
		first--
	}
	if !w.is(first-1, hclsyntax.TokenEqual, hclsyntax.TokenComma, hclsyntax.TokenOBrack) || w.is(first, hclsyntax.TokenNewline, hclsyntax.TokenEOF, hclsyntax.TokenOQuote) {
		return mistake{}, false
	}
	last := w.word(first)
	if text := bytes.TrimSpace(w.source(first, last)); last == first || !writtenBare.Match(text) || isReference.Match(text) {
		return mistake{}, false
	}
	return mistake{hcl.RangeBetween(w.tokens[first].Range, w.tokens[last].Range), "this text has no quotes", "", fmt.Sprintf("write %q", w.text(first, last))}, true
}

// writtenBare is what people write of paths, addresses and names without quotes.
var (
	writtenBare = regexp.MustCompile(`^[\pL\pN_./:@~+-]+$`)
	isReference = regexp.MustCompile(`^\pL[\pL\pN_-]*(\.[\pL\pN_-]+)*$`)
)

// quotesApart tells of a word that touches a quote on its wrong side.
func (w *writing) quotesApart(n int) (mistake, bool) {
	if !w.is(n, hclsyntax.TokenIdent, hclsyntax.TokenNumberLit, hclsyntax.TokenOQuote) {
		return mistake{}, false
	}
	if w.adjacent(n) && w.is(n-1, hclsyntax.TokenCQuote) || w.is(n, hclsyntax.TokenOQuote) && w.adjacent(n) && w.is(n-1, hclsyntax.TokenIdent, hclsyntax.TokenNumberLit) {
		return mistake{w.tokens[n].Range, "quotes do not pair up here", "What stands between two texts is taken for words of the language.", "see that each text has a \" before and after it; a \" within one is written \\\""}, true
	}
	return mistake{}, false
}

// openList tells of a list, a call or a group that is not closed, and of elements
// without a comma between them.
func (w *writing) openList(n int) (mistake, bool) {
	around := w.inside[n]
	if around < 0 || !w.is(around, hclsyntax.TokenOBrack, hclsyntax.TokenOParen, hclsyntax.TokenOBrace) || w.inBody(n) {
		return mistake{}, false
	}
	if w.open(around) && w.beginsStatement(n) || w.beginsStatement(n) && !w.is(around, hclsyntax.TokenOBrace) {
		return w.unclosedAt(around), true
	}
	if !w.begins(n) || !w.ends(w.before(n)) {
		return mistake{}, false
	}
	if w.is(around, hclsyntax.TokenOBrace) {
		return mistake{w.tokens[n].Range, "a comma is missing before this", "Of a map of values, each NAME = VALUE is followed by a comma or the end of the line.", "write a comma, or begin a new line"}, true
	}
	return mistake{w.tokens[n].Range, "a comma is missing before this", "Elements are separated by commas, also on lines of their own.", "write a comma behind the element before it"}, true
}

// before gives the last token before one that is no line end.
func (w *writing) before(n int) int {
	for n--; w.is(n, hclsyntax.TokenNewline); n-- {
	}
	return n
}

// begins and ends tell whether a value can begin or end with a token.
func (w *writing) begins(n int) bool {
	return w.is(n, hclsyntax.TokenIdent, hclsyntax.TokenNumberLit, hclsyntax.TokenOQuote, hclsyntax.TokenOBrack, hclsyntax.TokenOBrace, hclsyntax.TokenOHeredoc)
}

func (w *writing) ends(n int) bool {
	return w.is(n, hclsyntax.TokenIdent, hclsyntax.TokenNumberLit, hclsyntax.TokenCQuote, hclsyntax.TokenCBrack, hclsyntax.TokenCBrace, hclsyntax.TokenCParen, hclsyntax.TokenCHeredoc)
}

// beginsStatement tells whether an attribute or a block begins at a token: the
// first word of its line, with = or { behind it.
func (w *writing) beginsStatement(n int) bool {
	if !w.is(n, hclsyntax.TokenIdent) || n > 0 && !w.is(n-1, hclsyntax.TokenNewline) {
		return false
	}
	for n++; w.is(n, hclsyntax.TokenIdent, hclsyntax.TokenOQuote, hclsyntax.TokenQuotedLit, hclsyntax.TokenCQuote); n++ {
	}
	return w.is(n, hclsyntax.TokenEqual, hclsyntax.TokenOBrace)
}

func (w *writing) loop(n int) (mistake, bool) {
	for _, opener := range append([]int{n}, w.openAt(n)...) {
		if w.is(opener+1, hclsyntax.TokenIdent) && string(w.tokens[opener+1].Bytes) == "for" && w.is(opener, hclsyntax.TokenOBrack, hclsyntax.TokenOBrace) {
			return mistake{w.tokens[opener+1].Range, "there are no loops in a layout", "", "write the list out"}, true
		}
	}
	return mistake{}, false
}

// wordOperator tells of operators that are written as words elsewhere.
func (w *writing) wordOperator(n int) (mistake, bool) {
	sign := map[string]string{"and": "&&", "or": "||", "not": "!"}[w.named(n)]
	if sign == "" || w.inBody(n) && n == w.statement(n) {
		return mistake{}, false
	}
	return mistake{w.tokens[n].Range, w.cited(n) + " is no operator", "", "write " + sign}, true
}
