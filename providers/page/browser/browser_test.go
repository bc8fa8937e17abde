//go:build pages

// Package browser looks at drawn pages in a real browser: that nothing overlaps or is
// cut off at any width, that everything can be read, reached and printed. It is only
// tests, of which other tests build nothing; make page-test runs them.
package browser

import (
	"context"
	_ "embed"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/accessibility"
	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	browserlog "github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/testdata/outside"
)

// Widths in pixels: the narrowest that reflow is asked for is 320 (WCAG 2.2, 1.4.10),
// a phone, a screen, and one of 4K.
var widths = []int64{320, phone, 1280, 3840}

const phone = 360

// printed is the width of A4 between the page's margins, at 96 pixels to the inch.
const printed = (210 - 2*14) * 96 * 10 / 254

// looked is what look.js finds wrong with what is shown.
type looked struct {
	Overflows []string // what is wider than the page
	Overlaps  []string // texts that lie on each other
	Faint     []string // texts and lines that stand out too little
	Lost      []string // links that lead to nothing that can be seen
	Texts     int      // how many were looked at
}

//go:embed look.js
var look string

// browser gives one browser for all tests.
var browser = sync.OnceValues(func() (context.Context, error) {
	if _, err := exec.LookPath("chromium"); err != nil {
		return nil, err
	}
	options := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath("chromium"), chromedp.NoSandbox, chromedp.DisableGPU,
		chromedp.Flag("hide-scrollbars", false), chromedp.Flag("disable-dev-shm-usage", true))
	allocator, _ := chromedp.NewExecAllocator(context.Background(), options...) // it ends with the tests
	ctx, _ := chromedp.NewContext(allocator)
	return ctx, chromedp.Do(ctx)
})

func TestMain(m *testing.M) {
	code := m.Run()
	if ctx, err := browser(); err == nil {
		_ = chromedp.Cancel(ctx) // nothing is left to do where it does not end
	}
	os.Exit(code)
}

// tab opens a file in a tab of its own and gives what it asked the network for, and
// what the browser had to say of it.
func tab(t *testing.T, file string) (ctx context.Context, asked func() []string) {
	parent, err := browser()
	if err != nil {
		outside.Missing(t, "chromium: "+err.Error())
	}
	ctx, cancel := chromedp.NewContext(parent)
	t.Cleanup(cancel)
	ctx, stop := context.WithTimeout(ctx, 5*time.Minute)
	t.Cleanup(stop)
	var mu sync.Mutex
	var list []string
	require.NoError(t, chromedp.Listen(ctx, func(event any) {
		mu.Lock()
		defer mu.Unlock()
		switch e := event.(type) {
		case *network.EventRequestWillBeSent:
			list = append(list, e.Request.URL)
		case *browserlog.EventEntryAdded:
			list = append(list, "said: "+e.Entry.Text)
		}
	}))
	call(t, ctx, network.Enable, network.EnableParams{})
	call(t, ctx, browserlog.Enable, cdp.Empty{})
	require.NoError(t, chromedp.Do(ctx, chromedp.Navigate("file://"+file)))
	return ctx, func() []string {
		mu.Lock()
		defer mu.Unlock()
		return list
	}
}

// call has the browser do one thing for a tab.
func call[P, R any](t *testing.T, ctx context.Context, command cdp.Command[P, R], with P) R {
	result, err := chromedp.Call(ctx, command, with)
	require.NoError(t, err)
	return result
}

// sees looks at the page as it is shown now.
func sees(t *testing.T, ctx context.Context, how string) {
	found, err := chromedp.Run(ctx, chromedp.Evaluate[looked](look))
	require.NoError(t, err)
	assert.NotZero(t, found.Texts, how)
	for what, list := range map[string][]string{"wider than the page": found.Overflows, "on each other": found.Overlaps, "too faint": found.Faint, "leads nowhere": found.Lost} {
		if len(list) > 5 {
			list = append(list[:5], fmt.Sprintf("and %d more", len(list)-5))
		}
		assert.Empty(t, list, "%s: %s", how, what)
	}
}

// media has the page shown as a screen or paper shows it, light or dark.
func media(t *testing.T, ctx context.Context, on, scheme string) {
	call(t, ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Media: on, Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}}})
}

func size(t *testing.T, ctx context.Context, width, height int64) {
	require.NoError(t, chromedp.Do(ctx, chromedp.EmulateViewport(width, height)))
}

// keeps writes a picture where somebody wants to see it.
func keeps(t *testing.T, name string, content []byte) {
	if folder := os.Getenv("LENDKEEP_PAGES"); folder != "" {
		require.NoError(t, os.WriteFile(filepath.Join(folder, name), content, 0o644))
	}
}

// shows looks at a page at these widths, light and dark, and printed.
func shows(t *testing.T, name, file string, widths ...int64) {
	ctx, asked := tab(t, file)
	for _, scheme := range []string{"light", "dark"} {
		media(t, ctx, "screen", scheme)
		for _, width := range widths {
			size(t, ctx, width, 900)
			sees(t, ctx, fmt.Sprintf("%s, %s, %d pixels wide", name, scheme, width))
			if os.Getenv("LENDKEEP_PAGES") != "" {
				size(t, ctx, width, 8000) // of a longer page its top
				picture, err := chromedp.Run(ctx, chromedp.CaptureScreenshot())
				require.NoError(t, err)
				keeps(t, fmt.Sprintf("%s-%s-%d.png", name, scheme, width), picture)
			}
		}
	}
	media(t, ctx, "print", "dark")
	size(t, ctx, printed, 5000)
	sees(t, ctx, name+", printed")
	css := true
	paper := call(t, ctx, page.PrintToPDF, page.PrintToPDFParams{PreferCSSPageSize: &css}).Data
	assert.Greater(t, len(paper), 1000)
	keeps(t, name+".pdf", paper)
	picture, err := chromedp.Run(ctx, chromedp.CaptureScreenshot())
	require.NoError(t, err)
	keeps(t, name+"-printed.png", picture)
	assert.Equal(t, []string{"file://" + file}, asked(), "%s: something was asked for, or said", name)
}

// reads gives all names in the page's accessibility tree, one a line.
func reads(t *testing.T, file string) string {
	ctx, _ := tab(t, file)
	var text strings.Builder
	for _, node := range call(t, ctx, accessibility.GetFullAXTree, accessibility.GetFullAXTreeParams{}).Nodes {
		var name string
		if !node.Ignored && node.Name != nil && json.Unmarshal(node.Name.Value, &name) == nil {
			text.WriteString(name + "\n")
		}
	}
	return text.String()
}
