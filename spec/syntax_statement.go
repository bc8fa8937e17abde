package spec

import (
	"bytes"
	"fmt"
	"slices"
	"strings"

	"github.com/hashicorp/hcl/v2"
	"github.com/hashicorp/hcl/v2/hclsyntax"
)

// noValue tells of an attribute without a value.
func (w *writing) noValue(n int) (mistake, bool) {
	equals := n - 1
	if !w.is(equals, hclsyntax.TokenEqual) || !w.is(n, hclsyntax.TokenNewline, hclsyntax.TokenEOF, hclsyntax.TokenCBrace, hclsyntax.TokenComma) {
		return mistake{}, false
	}
	return mistake{w.tokens[equals].Range, "no value stands behind this =", "A value begins on the line of its =.", "write the value, or remove the attribute"}, true
}

// otherSign tells of a name with another sign than = between it and its value.
func (w *writing) otherSign(n int) (mistake, bool) {
	if w.is(n, hclsyntax.TokenIdent) {
		n++
	}
	if !w.is(n-1, hclsyntax.TokenIdent, hclsyntax.TokenCQuote) || !w.inBody(n) {
		return mistake{}, false
	}
	first, last := n, n
	for w.is(last, hclsyntax.TokenColon, hclsyntax.TokenEqual, hclsyntax.TokenEqualOp, hclsyntax.TokenFatArrow, hclsyntax.TokenPlus, hclsyntax.TokenDoubleColon) {
		last++
	}
	if last == first {
		return mistake{}, false
	}
	sign := w.text(first, last-1)
	name := strings.Trim(w.text(w.statement(n), n-1), `"`)
	rng := hcl.RangeBetween(w.tokens[first].Range, w.tokens[last-1].Range)
	switch {
	case sign == "=":
		return mistake{}, false
	case slices.Contains(layoutForm.many, name) || w.is(last, hclsyntax.TokenOBrace):
		return mistake{rng, fmt.Sprintf("\"%s\" cannot stand between a name and its block", sign), "", fmt.Sprintf("write %s { … }", name)}, true
	}
	return mistake{rng, fmt.Sprintf("\"%s\" cannot stand between a name and its value", sign), "", fmt.Sprintf("write %s = …", name)}, true
}

// quotedName tells of names of attributes in quotes, as JSON has them, and of
// names with points in them.
func (w *writing) quotedName(n int) (mistake, bool) {
	start := w.statement(n)
	switch {
	case !w.inBody(start):
	case w.is(start, hclsyntax.TokenOQuote) && w.closed[start] > start+1 && w.closed[start] <= start+2:
		name := w.text(start+1, start+1)
		return mistake{hcl.RangeBetween(w.tokens[start].Range, w.tokens[w.closed[start]].Range), "a statement does not begin with a quote", "Names of attributes and words of blocks have no quotes; names of guests and the like stand behind the block's word.", fmt.Sprintf("write %s = …", name)}, true
	case w.is(start, hclsyntax.TokenIdent) && w.is(start+1, hclsyntax.TokenDot) && n <= start+1:
		last := w.word(start)
		return mistake{hcl.RangeBetween(w.tokens[start].Range, w.tokens[last].Range), "the name of an attribute has no points", fmt.Sprintf("%s would be an attribute in a block of its own.", w.text(start, last)), fmt.Sprintf("write %s { … }, and the attribute in it", w.named(start))}, true
	}
	return mistake{}, false
}

// twice tells of an attribute that is stated a second time in one block.
func (w *writing) twice(n int) (mistake, bool) {
	if !w.is(n, hclsyntax.TokenIdent) || !w.is(n+1, hclsyntax.TokenEqual) || !w.inBody(n) {
		return mistake{}, false
	}
	for k := w.inside[n] + 1; k < n; k++ {
		if w.inside[k] == w.inside[n] && w.is(k, hclsyntax.TokenIdent) && w.is(k+1, hclsyntax.TokenEqual) && w.statement(k) == k && bytes.Equal(w.tokens[k].Bytes, w.tokens[n].Bytes) {
			return mistake{w.tokens[n].Range, fmt.Sprintf("second %s in one block", w.named(n)), fmt.Sprintf("The first one is at %s.", placeOf(w.tokens[k].Range)), "remove one of them"}, true
		}
	}
	return mistake{}, false
}

// apartBrace tells of a block whose brace stands on another line than its name.
func (w *writing) apartBrace(n int) (mistake, bool) {
	next := n
	for w.is(next, hclsyntax.TokenNewline) {
		next++
	}
	start := w.statement(max(n-1, 0))
	if next == n || !w.is(next, hclsyntax.TokenOBrace) || !w.inBody(n) || !w.is(start, hclsyntax.TokenIdent) {
		return mistake{}, false
	}
	return mistake{hcl.RangeBetween(w.tokens[start].Range, w.tokens[n-1].Range), "the { of a block stands on the block's first line", "", fmt.Sprintf("write %s {", w.text(start, n-1))}, true
}

// blockWithEquals tells of a block that is written with =, or of an attribute with
// two names.
func (w *writing) blockWithEquals(n int) (mistake, bool) {
	start := w.statement(n)
	if !w.is(n, hclsyntax.TokenEqual) || !w.inBody(n) || n-start < 2 {
		return mistake{}, false
	}
	names := w.text(start, n-1)
	if w.is(n+1, hclsyntax.TokenOBrace) {
		return mistake{w.tokens[n].Range, "a block has no =", "", fmt.Sprintf("write %s { … }", names)}, true
	}
	return mistake{hcl.RangeBetween(w.tokens[start].Range, w.tokens[n-1].Range), "two names stand before this =", "An attribute has one name; a block stands with { … } around its attributes.", fmt.Sprintf("write %s { … }, and %s = … in it", w.named(start), w.named(n-1))}, true
}

// noEquals tells of a name and a value with nothing between them, and of a name
// alone.
func (w *writing) noEquals(n int) (mistake, bool) {
	start := w.statement(n)
	if w.is(n, hclsyntax.TokenNewline, hclsyntax.TokenEOF, hclsyntax.TokenCBrace) && n > 0 {
		start = w.statement(n - 1)
	}
	if !w.is(start, hclsyntax.TokenIdent) || !w.inBody(start) || w.is(start+1, hclsyntax.TokenEqual, hclsyntax.TokenOBrace) {
		return mistake{}, false
	}
	name, value := w.named(start), start+1
	end := value
	for end < len(w.tokens) && (w.inside[end] != w.inside[start] || !w.is(end, hclsyntax.TokenNewline, hclsyntax.TokenEOF, hclsyntax.TokenCBrace, hclsyntax.TokenOBrace, hclsyntax.TokenEqual)) {
		end++
	}
	switch {
	case w.is(end, hclsyntax.TokenOBrace, hclsyntax.TokenEqual) && w.inside[end] == w.inside[start]:
		return mistake{}, false
	case end == value:
		return mistake{w.tokens[start].Range, fmt.Sprintf("%s states nothing", name), "A word alone is neither an attribute nor a block.", fmt.Sprintf("write %s = VALUE, or %s { … }", name, name)}, true
	case slices.Contains(layoutForm.many, name):
		return mistake{hcl.RangeBetween(w.tokens[start].Range, w.tokens[end-1].Range), "this block has no { … }", "", fmt.Sprintf("write %s { … }", w.text(start, end-1))}, true
	case w.begins(value) || w.is(value, hclsyntax.TokenMinus, hclsyntax.TokenSlash, hclsyntax.TokenOParen):
		return mistake{hcl.RangeBetween(w.tokens[start].Range, w.tokens[end-1].Range), fmt.Sprintf("%s lacks its =", name), "", fmt.Sprintf("write %s = %s", name, w.text(value, end-1))}, true
	}
	return mistake{}, false
}

// oneLine tells of a block that begins on the line of its brace and holds more than
// one attribute.
func (w *writing) oneLine(n int) (mistake, bool) {
	for around := w.inside[n]; around >= 0; around = w.inside[around] {
		if !w.is(around, hclsyntax.TokenOBrace) || !w.ofBlock(around) {
			continue
		}
		if w.is(around+1, hclsyntax.TokenNewline) || w.tokens[around].Range.Start.Line != w.tokens[n].Range.Start.Line {
			return mistake{}, false
		}
		return mistake{w.tokens[n].Range, "a block on one line holds one attribute", "It is closed on the line on which it begins, and holds no other block.", "begin a new line behind its {, and put each attribute and block on a line of its own"}, true
	}
	return mistake{}, false
}

// comma tells of commas between attributes.
func (w *writing) comma(n int) (mistake, bool) {
	if !w.is(n, hclsyntax.TokenComma) || !w.inBody(n) {
		return mistake{}, false
	}
	return mistake{w.tokens[n].Range, "no comma stands between attributes", "An attribute ends with its line; commas separate the elements of a list.", "remove the comma, or write a list in brackets: [ … ]"}, true
}

// sameLine tells of a statement that begins behind another on its line.
func (w *writing) sameLine(n int) (mistake, bool) {
	if !w.inBody(n) || !w.begins(n) || !w.ends(n-1) {
		return mistake{}, false
	}
	m := mistake{w.tokens[n].Range, "a second statement stands on this line", "Each attribute and each block begins a line.", "begin a new line before it"}
	if w.is(n, hclsyntax.TokenOQuote, hclsyntax.TokenNumberLit) || w.is(n-1, hclsyntax.TokenIdent) {
		m.hint += "; several values stand in brackets: [ … ]"
	}
	return m, true
}

// commentMark tells of comments as other languages have them.
func (w *writing) commentMark(n int) (mistake, bool) {
	if n != w.statement(n) || !w.inBody(n) || !w.is(n, hclsyntax.TokenMinus, hclsyntax.TokenPercent, hclsyntax.TokenBang, hclsyntax.TokenStar, hclsyntax.TokenLessThan) {
		return mistake{}, false
	}
	return mistake{w.tokens[n].Range, w.cited(n) + " does not begin a line", "", "begin a comment with #"}, true
}

// unclosed tells of what is open at the end of the file. Which brace was forgotten
// the indentation tells best: a line that begins no further to the right than the
// block around it was not meant to stand in that.
func (w *writing) unclosed() mistake {
	end := len(w.tokens) - 1
	open := w.openAt(end)
	if len(open) == 0 {
		return mistake{w.tokens[end].Range, "the file ends too early", "", "write what is missing"}
	}
	for n := open[len(open)-1] + 1; n < end && w.is(open[0], hclsyntax.TokenOBrace); n++ {
		around := w.inside[n]
		if w.is(n-1, hclsyntax.TokenNewline) && !w.is(n, hclsyntax.TokenNewline) && !closes(w.tokens[n].Type) && w.is(around, hclsyntax.TokenOBrace) &&
			w.tokens[n].Range.Start.Column <= w.tokens[w.statement(around)].Range.Start.Column {
			return w.unclosedAt(around)
		}
	}
	return w.unclosedAt(open[0])
}

func (w *writing) unclosedAt(opener int) mistake {
	sign := w.named(opener)
	wanted := map[hclsyntax.TokenType]string{hclsyntax.TokenOBrack: "]", hclsyntax.TokenOParen: ")"}[w.tokens[opener].Type]
	if wanted == "" {
		wanted = "}"
	}
	rng := w.tokens[opener].Range
	if start := w.statement(opener); wanted == "}" && w.ofBlock(opener) {
		rng = hcl.RangeBetween(w.tokens[start].Range, rng)
	}
	return mistake{rng, fmt.Sprintf("this %s is never closed", sign), "All that follows is taken for a part of it.", fmt.Sprintf("write %s where it ends", wanted)}
}
