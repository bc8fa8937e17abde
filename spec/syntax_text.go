package spec

import (
	"bytes"
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"

	"github.com/hashicorp/hcl/v2"
	"github.com/hashicorp/hcl/v2/hclsyntax"
)

// misspelt gives the first place that cannot be taken apart into words, texts and
// signs, and the token that it is about; -1: there is none.
func (w *writing) misspelt() (mistake, int) {
	for n := range w.tokens {
		if m, wrong := w.misspeltAt(n); wrong {
			return m, n
		}
	}
	return mistake{}, -1
}

func (w *writing) misspeltAt(n int) (mistake, bool) {
	t := w.tokens[n]
	if said, ok := strange[t.Type]; ok {
		return mistake{t.Range, said.summary, said.detail, said.hint}, true
	}
	pair := func(next hclsyntax.TokenType) bool { return w.is(n+1, next) && w.adjacent(n+1) }
	both := func() hcl.Range { return hcl.RangeBetween(t.Range, w.tokens[n+1].Range) }
	switch {
	case t.Type == hclsyntax.TokenInvalid:
		return foreignCharacter(t), true
	case t.Type == hclsyntax.TokenBadUTF8:
		return mistake{t.Range, "this byte is no UTF-8 text", fmt.Sprintf("The byte is 0x%02x; a layout file is written in UTF-8.", t.Bytes[0]), "save the file as UTF-8, or write the character anew"}, true
	case t.Type == hclsyntax.TokenOQuote && w.endsInLine(n):
		return w.unclosedText(n), true
	case t.Type == hclsyntax.TokenOHeredoc && w.closed[n] < 0:
		return w.unclosedLines(n), true
	case t.Type == hclsyntax.TokenSlash && pair(hclsyntax.TokenStar):
		return mistake{both(), "this comment is never closed", "From /* on all is a comment, up to a */ that is not there.", "write */ where the comment ends, or # before each of its lines"}, true
	case t.Type == hclsyntax.TokenStar && pair(hclsyntax.TokenStar):
		said := strange[hclsyntax.TokenStarStar]
		return mistake{both(), said.summary, said.detail, said.hint}, true
	case t.Type == hclsyntax.TokenStar && pair(hclsyntax.TokenSlash):
		return mistake{both(), "\"*/\" ends a comment that does not begin", "", "write /* where the comment begins, or remove the */"}, true
	case t.Type == hclsyntax.TokenLessThan && pair(hclsyntax.TokenLessThan):
		return mistake{both(), "\"<<\" does not begin a text of several lines here", "Behind << stands a word, without space or quotes, and then the line ends.", "write <<END, the lines, and END alone on a line"}, true
	}
	return mistake{}, false
}

// strange are the signs of other languages that the scanner knows.
var strange = map[hclsyntax.TokenType]mistake{
	hclsyntax.TokenApostrophe: {summary: "\"'\" does not quote a text", detail: "A text stands between double quotes.", hint: "write \" before and after the text"},
	hclsyntax.TokenBacktick:   {summary: "\"`\" does not quote a text", detail: "A text stands between double quotes.", hint: "write \" before and after the text"},
	hclsyntax.TokenSemicolon:  {summary: "\";\" separates nothing", detail: "A statement ends with its line, elements of a list are separated by commas; a comment begins with #.", hint: "begin a new line instead"},
	hclsyntax.TokenBitwiseAnd: {summary: "\"&\" is no operator", hint: "write && for \"and\""},
	hclsyntax.TokenBitwiseOr:  {summary: "\"|\" is no operator", hint: "write || for \"or\""},
	hclsyntax.TokenBitwiseNot: {summary: "\"~\" is no operator", hint: "write ! for \"not\"; paths begin with / and stand in quotes"},
	hclsyntax.TokenBitwiseXor: {summary: "\"^\" is no operator", hint: "write the number out"},
	hclsyntax.TokenStarStar:   {summary: "\"**\" is no operator", hint: "write the number out; sizes as gib(16)"},
	hclsyntax.TokenTabs:       {summary: "a tab cannot stand here", hint: "write spaces"},
}

// foreignCharacter tells of a character that belongs to no word and no sign.
func foreignCharacter(t hclsyntax.Token) mistake {
	c, _ := utf8.DecodeRune(t.Bytes)
	m := mistake{rng: t.Range, summary: fmt.Sprintf("\"%c\" cannot stand outside of a text", c), detail: fmt.Sprintf("The character is U+%04X.", c), hint: "remove it, or put the text that it is part of in quotes"}
	switch {
	case unicode.In(c, unicode.Pi, unicode.Pf) || strings.ContainsRune("„‚″′＂＇«»", c):
		m.summary, m.detail = "curly quotes do not quote a text", fmt.Sprintf("The character is U+%04X, as word processors and web pages write it.", c)
		m.hint = "write straight double quotes: \""
	case unicode.IsSpace(c) || !unicode.IsPrint(c):
		m.summary, m.hint = "a character that cannot be seen stands here", "write the line anew, with plain spaces"
	}
	return m
}

// endsInLine tells whether a quote opens a text that is not closed on its line.
func (w *writing) endsInLine(quote int) bool {
	for n := quote + 1; n < len(w.tokens) && n != w.closed[quote]; n++ {
		if w.inside[n] == quote && w.is(n, hclsyntax.TokenQuotedNewline) {
			return true
		}
	}
	return w.closed[quote] < 0
}

// unclosedText tells of a text without its second quote, or without its first: then
// the only one is taken for a first.
func (w *writing) unclosedText(quote int) mistake {
	for n := quote + 1; n < len(w.tokens) && !w.is(n, hclsyntax.TokenQuotedNewline); n++ {
		if w.inside[n] == quote && w.open(n) && w.is(n, hclsyntax.TokenTemplateInterp, hclsyntax.TokenTemplateControl) {
			return mistake{w.tokens[n].Range, "what begins here is not closed within its text", "In a text, ${…} is replaced by what is computed in it.", "write } behind it, or $${ for these very characters"}
		}
	}
	first := quote
	for first > 0 && w.adjacent(first) && w.is(first-1, hclsyntax.TokenIdent, hclsyntax.TokenNumberLit, hclsyntax.TokenMinus, hclsyntax.TokenSlash, hclsyntax.TokenDot, hclsyntax.TokenColon) {
		first--
	}
	if first < quote {
		word := w.text(first, quote-1)
		return mistake{hcl.RangeBetween(w.tokens[first].Range, w.tokens[quote].Range), "a quote is missing before this text", "There is one behind it only.", fmt.Sprintf("write %q", word)}
	}
	start := w.tokens[quote].Range
	line, _, _ := bytes.Cut(w.src[start.Start.Byte:], []byte("\n"))
	rng := start
	rng.End.Byte = start.Start.Byte + len(bytes.TrimRight(line, "\r"))
	return mistake{rng, "this text has no closing quote", "A text ends on the line on which it begins.", "write \" where it ends; a line end within a text is written \\n"}
}

// unclosedLines tells of a text of several lines without its last.
func (w *writing) unclosedLines(n int) mistake {
	word := strings.TrimLeft(quote(w.tokens[n].Bytes), "<-")
	rng := w.tokens[n].Range
	rng.End.Byte = rng.Start.Byte + len(bytes.TrimRight(w.tokens[n].Bytes, "\r\n"))
	return mistake{rng, "this text of several lines is never closed", fmt.Sprintf("It goes on up to a line on which %s stands alone, and there is none.", word),
		fmt.Sprintf("write %s on a line of its own below the text", word)}
}
