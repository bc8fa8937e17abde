package spec

import (
	"bytes"
	"slices"

	"github.com/hashicorp/hcl/v2"
	"github.com/hashicorp/hcl/v2/hclsyntax"
)

// mistake is what is wrong with the writing of a file, as a Diagnostic says it.
type mistake struct {
	rng                   hcl.Range
	summary, detail, hint string
}

// misread reports the first mistake in the writing of a file, and how many the
// parser met after it. Where it met them is all that is taken from the parser:
// what is said comes from the text around that place.
func (r *reader) misread(f File, ds hcl.Diagnostics) {
	w := newWriting(f)
	m := w.first(ds)
	d := Diagnostic{Severity: SeverityError, Summary: m.summary, Detail: m.detail, Hint: m.hint, At: placeOf(m.rng),
		Source: excerpt(f.Bytes, m.rng), Following: len(ds) - 1}
	r.keep(d)
}

// writing is a file as a row of tokens, without comments; a comment that goes to
// the end of its line is that end.
type writing struct {
	src    []byte
	tokens hclsyntax.Tokens
	inside []int // by token: the opening token around it, or -1
	closed []int // by opening token: the one that closes it, or -1
	opened []int // by closing token: the one that it closes, or -1
	starts []int // by token: the first one of the statement that it is part of
}

func newWriting(f File) *writing {
	all, _ := hclsyntax.LexConfig(f.Bytes, f.Name, hcl.InitialPos)
	w := &writing{src: f.Bytes}
	for _, t := range all {
		if t.Type == hclsyntax.TokenComment {
			if !bytes.HasSuffix(t.Bytes, []byte("\n")) {
				continue
			}
			t.Type = hclsyntax.TokenNewline
		}
		w.tokens = append(w.tokens, t)
	}
	w.pair()
	w.divide()
	return w
}

// pair finds for every token what it stands in. A closing token ends all that is
// open within what it closes; one that closes nothing is passed over.
func (w *writing) pair() {
	w.inside, w.closed, w.opened = make([]int, len(w.tokens)), make([]int, len(w.tokens)), make([]int, len(w.tokens))
	var open []int
	waiting := map[hclsyntax.TokenType]int{} // by what would close it, how many are open
	for i, t := range w.tokens {
		w.closed[i], w.opened[i] = -1, -1
		for ended := waiting[t.Type] == 0; !ended; {
			last := open[len(open)-1]
			open = open[:len(open)-1]
			waiting[closer[w.tokens[last].Type]]--
			if ended = closer[w.tokens[last].Type] == t.Type; ended {
				w.closed[last], w.opened[i] = i, last
			}
		}
		w.inside[i] = -1
		if len(open) > 0 {
			w.inside[i] = open[len(open)-1]
		}
		if opens(t.Type) {
			open = append(open, i)
			waiting[closer[t.Type]]++
		}
	}
}

// divide finds for every token where its statement begins: behind the end of a line,
// or of a block, that stands in the same.
func (w *writing) divide() {
	w.starts = make([]int, len(w.tokens))
	begun := map[int]int{} // by what is around: the first token of what goes on there
	for n, around := range w.inside {
		first, goesOn := begun[around]
		if !goesOn {
			first = n
		}
		w.starts[n], begun[around] = first, first
		if w.is(n, hclsyntax.TokenNewline) || w.closesBlock(n) {
			delete(begun, around)
		}
	}
}

// closer gives what ends what each token opens.
var closer = map[hclsyntax.TokenType]hclsyntax.TokenType{
	hclsyntax.TokenOBrace:          hclsyntax.TokenCBrace,
	hclsyntax.TokenOBrack:          hclsyntax.TokenCBrack,
	hclsyntax.TokenOParen:          hclsyntax.TokenCParen,
	hclsyntax.TokenOQuote:          hclsyntax.TokenCQuote,
	hclsyntax.TokenOHeredoc:        hclsyntax.TokenCHeredoc,
	hclsyntax.TokenTemplateInterp:  hclsyntax.TokenTemplateSeqEnd,
	hclsyntax.TokenTemplateControl: hclsyntax.TokenTemplateSeqEnd,
}

// first gives the mistake to be told: the first place at which either the text
// cannot be taken apart or the parser went wrong. That something is never closed
// the parser tells at its beginning, long after other mistakes made it so.
func (w *writing) first(ds hcl.Diagnostics) mistake {
	at := len(w.tokens) - 1
	m, sign := w.misspelt()
	spelt := sign >= 0
	if spelt {
		at = min(sign, w.at(m.rng.Start.Byte))
	}
	parsed := false
	for _, d := range ds {
		if d.Subject == nil {
			continue
		}
		n := w.at(d.Subject.Start.Byte)
		if w.open(n) || w.is(n, hclsyntax.TokenIdent) && w.open(n+1) && w.adjacent(n+1) {
			continue
		}
		// A sign that is none spoils what stands before it on its line; a text that
		// is not closed may be so because of a quote before it.
		root := spelt && !parsed && !w.is(sign, hclsyntax.TokenOQuote) && d.Subject.Start.Line == w.tokens[at].Range.Start.Line
		if !root && (n < at || n == at && !spelt) {
			at, parsed = n, true
			m = w.explain(n, d.Subject.Start.Byte)
		}
	}
	if spelt || parsed {
		return m
	}
	return w.unclosed()
}

// at gives the token at a byte of the file, or the next after it.
func (w *writing) at(offset int) int {
	n, _ := slices.BinarySearchFunc(w.tokens, offset, func(t hclsyntax.Token, offset int) int {
		if t.Range.End.Byte <= offset {
			return -1
		}
		return 1
	})
	return min(n, len(w.tokens)-1)
}

// token gives a token by its number; past either end it is the end of the file.
func (w *writing) token(n int) hclsyntax.Token {
	if n < 0 || n >= len(w.tokens) {
		return hclsyntax.Token{Type: hclsyntax.TokenEOF}
	}
	return w.tokens[n]
}

// open tells whether a token opens what is never closed.
func (w *writing) open(n int) bool { return opens(w.token(n).Type) && w.closed[n] < 0 }

func (w *writing) is(n int, types ...hclsyntax.TokenType) bool {
	return slices.Contains(types, w.token(n).Type)
}

// source gives the file's text from one token to another, both included.
func (w *writing) source(from, to int) []byte {
	return w.src[w.tokens[from].Range.Start.Byte:w.tokens[to].Range.End.Byte]
}

// text gives the same for a sentence about it.
func (w *writing) text(from, to int) string { return quote(w.source(from, to)) }

// adjacent tells whether nothing stands between a token and the one before it.
func (w *writing) adjacent(n int) bool {
	return n > 0 && w.tokens[n-1].Range.End.Byte == w.tokens[n].Range.Start.Byte
}

// inBody tells whether a token stands where attributes and blocks do: outside of
// all, or in the braces of a block.
func (w *writing) inBody(n int) bool {
	around := w.inside[n]
	return around < 0 || w.is(around, hclsyntax.TokenOBrace) && w.ofBlock(around)
}

// ofBlock tells whether a brace is that of a block: words and names stand before
// it, from the beginning of a statement on.
func (w *writing) ofBlock(brace int) bool {
	start := w.statement(brace)
	if start == brace || !w.is(start, hclsyntax.TokenIdent) {
		return false
	}
	for n := start; n < brace; n++ {
		if w.inside[n] == w.inside[brace] && !w.is(n, hclsyntax.TokenIdent, hclsyntax.TokenOQuote, hclsyntax.TokenCQuote) {
			return false
		}
	}
	return w.inBody(start)
}

// statement gives the first token of the statement that a token is part of.
func (w *writing) statement(n int) int { return w.starts[n] }

// closesBlock tells whether a token is the closing brace that ends a statement.
func (w *writing) closesBlock(n int) bool {
	if !w.is(n, hclsyntax.TokenCBrace) {
		return false
	}
	opener := w.opened[n]
	return opener >= 0 && w.is(opener-1, hclsyntax.TokenIdent, hclsyntax.TokenCQuote)
}

// word gives the last of a run of tokens with no space in it, from a token on.
func (w *writing) word(n int) (last int) {
	last = n
	for last+1 < len(w.tokens)-1 && w.adjacent(last+1) && !w.is(last+1, hclsyntax.TokenNewline, hclsyntax.TokenComma, hclsyntax.TokenCBrack, hclsyntax.TokenCBrace, hclsyntax.TokenCParen) {
		last++
	}
	return last
}
