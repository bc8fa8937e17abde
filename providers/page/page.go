// Package page writes the page that reconcile/page draws as one HTML file: pictures
// inline as SVG, light or dark by the reader's setting, to be printed too. Nothing is
// fetched, no script runs, and the page's own content policy forbids both. Start at
// Write.
package page

import (
	"bytes"
	"crypto/sha256"
	_ "embed" // the template and the style
	"encoding/base64"
	"fmt"
	"html/template"
	"sync"

	"lendkeep/reconcile/page"
)

//go:embed page.gohtml
var text string

//go:embed style.css
var style string

// shown is what the template is given.
type shown struct {
	page.Page
	Policy string
	Style  template.CSS
}

// Write gives the file. The same page gives the same bytes.
func Write(p page.Page) ([]byte, error) {
	harmless(&p)
	var made bytes.Buffer
	if err := parsed().Execute(&made, shown{p, policy(), template.CSS(style)}); err != nil {
		return nil, fmt.Errorf("write page: %w", err)
	}
	return made.Bytes(), nil
}

// policy allows the page's own style by its sum, and nothing else at all (W3C Content
// Security Policy Level 3, 6.1 and 6.7.3.3).
func policy() string {
	sum := sha256.Sum256([]byte(style))
	return "default-src 'none'; style-src 'sha256-" + base64.StdEncoding.EncodeToString(sum[:]) + "'; base-uri 'none'; form-action 'none'"
}

var parsed = sync.OnceValue(func() *template.Template {
	return template.Must(template.New("page").Funcs(template.FuncMap{"lanes": lanes, "fits": fits, "level": level}).Parse(text))
})

// mostLanes is how many are drawn: no link has more (PCI Express Base Specification,
// link width).
const mostLanes = 32

// lanes gives how wide that many lanes are drawn; 0: they are not.
func lanes(n int) int {
	if n < 1 || n > mostLanes {
		return 0
	}
	return 5*n - 2
}

// narrowest is how wide a drive's bar is at least, on a page of 360 pixels.
const narrowest = 220

// fits tells whether a partition's number can be read within its segment wherever
// the page is shown: digits of the style's size are below 9 pixels wide.
func fits(s page.Segment) bool {
	return s.Number > 0 && int(s.W)*narrowest/100_00 >= 9*len(fmt.Sprint(s.Number))+4
}

// level gives the height of a row's line in its cell.
func level(l page.Level) int {
	switch l {
	case page.High:
		return 4
	case page.Middle:
		return 12
	default:
		return 20
	}
}
