package page_test

import (
	"crypto/sha256"
	"encoding/base64"
	"html"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	written "lendkeep/providers/page"
	"lendkeep/reconcile/assess"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/invented"
	"lendkeep/reconcile/order"
	"lendkeep/reconcile/page"
	"lendkeep/reconcile/speed"
	"lendkeep/reconcile/watch"
	"lendkeep/spec"
)

// drawn is a page with something of everything on it.
func drawn(t require.TestingT) page.Page {
	b := invented.NewBuilder()
	reel := b.NVMe("RL-4410-0073", "start", "shelf")
	b.Look("nvme0n1")
	b.Mount("nvme0n1p2", "/srv/shelf")
	b.Card(reel, "pci-stub")
	b.Function(reel).Link = &facts.Link{SpeedMTps: 8000, Width: 2, MaxSpeedMTps: 16000, MaxWidth: 4}
	b.Function(reel).Gaps = []facts.Gap{{Fact: "slot", Path: "/p", Reason: "r"}}
	b.Guest("catalogue", "/srv/shelf/catalogue.qcow2")
	b.Survey.Gaps = []facts.Gap{{Fact: "f", Path: "/p", Reason: "r"}}
	layout := invented.Layout([]spec.Controller{invented.Controller("reel", "RL-4410-0073", "shelf", "/srv/shelf"), invented.Controller("lost", "RL-0")},
		[]spec.Guest{invented.Guest("grading", "reel"), invented.Guest("catalogue")}, invented.Shift("day", "grading"), invented.Shift("night", "catalogue"))
	layout.Guests[0].Memory = &spec.Memory{SizeBytes: 1 << 30}
	c := assess.NewCase(layout, facts.NewIndex(&b.Survey), layout.Shift("day"))
	g := page.Given{Case: c, Findings: assess.Assess(c)}
	o, err := order.Plan(c, nil)
	require.NoError(t, err)
	sealed, err := order.Seal(o)
	require.NoError(t, err)
	g.Order, g.After = &sealed, c.Facts
	g.Measured = measured(t)
	at := b.Survey.TakenAt.Add(-30 * time.Hour)
	g.History = &page.History{Watching: true, Events: []watch.Event{{At: at, Kind: watch.Began}, {At: at, Kind: watch.Lent, Controller: "reel", Guest: "grading"},
		{At: at.Add(time.Hour), Kind: watch.LetGo, Controller: "reel"}, {At: at.Add(2 * time.Hour), Kind: watch.Alarm, Controller: "reel", Text: "late"},
		{At: at.Add(3 * time.Hour), Kind: watch.Returned, Controller: "reel", Guest: "grading", Way: watch.Home}}}
	return page.Draw(g)
}

// measured is two measurements beside each other.
func measured(t require.TestingT) *speed.Comparison {
	var list []speed.Result
	for i, label := range []string{"before", "lent"} {
		r := invented.Measured(label, func(k speed.Kind, run int) float64 { return float64(400*(i+1)+run*10) * 1e6 / float64(k.Depth) })
		r.Host = &speed.Host{Guest: "grading", Lent: true, Way: &speed.Way{PayloadBytes: 256, Links: []speed.Link{{Below: "drive", Above: "port at 0000:00:1d.0", SpeedMTps: 8000, Width: 1}}}}
		list = append(list, r)
	}
	c, err := speed.Compare(list)
	require.NoError(t, err)
	return &c
}

// The policy of the page knows its style, and there is no other; nothing leads out of
// the page.
func TestStandsAlone(t *testing.T) {
	content, err := written.Write(drawn(t))
	require.NoError(t, err)
	text := string(content)
	style := regexp.MustCompile(`(?s)<style>(.*?)</style>`).FindAllStringSubmatch(text, -1)
	require.Len(t, style, 1)
	sum := sha256.Sum256([]byte(style[0][1]))
	assert.True(t, strings.Contains(html.UnescapeString(text), `content="default-src 'none'; style-src 'sha256-`+base64.StdEncoding.EncodeToString(sum[:])+`'; base-uri 'none'; form-action 'none'"`))
	assert.Empty(t, regexp.MustCompile(`<(script|link|img|iframe|object|embed|form|base)\b|\s(style|src|on[a-z]+)=|https?:|@import`).FindString(text))
	for _, href := range regexp.MustCompile(`href="([^"]*)"`).FindAllStringSubmatch(text, -1) {
		assert.True(t, strings.HasPrefix(href[1], "#"), href[1])
	}
}

// Whatever is led to is there, once.
func TestLinksLeadSomewhere(t *testing.T) {
	content, err := written.Write(drawn(t))
	require.NoError(t, err)
	ids := map[string]int{}
	for _, id := range regexp.MustCompile(`\sid="([^"]*)"`).FindAllStringSubmatch(string(content), -1) {
		ids[id[1]]++
	}
	for id, n := range ids {
		assert.Equal(t, 1, n, id)
	}
	for _, href := range regexp.MustCompile(`href="#([^"]*)"`).FindAllStringSubmatch(string(content), -1) {
		assert.Equal(t, 1, ids[href[1]], href[1])
	}
}

func TestSameBytes(t *testing.T) {
	first, err := written.Write(drawn(t))
	require.NoError(t, err)
	for range 5 {
		again, err := written.Write(drawn(t))
		require.NoError(t, err)
		assert.True(t, string(first) == string(again), "the same page gives other bytes")
	}
}

// mostBytes bounds the page of a large host.
const mostBytes = 500_000

func TestLargeHostIsSmall(t *testing.T) {
	survey, layout := invented.Large(1)
	survey = invented.Parted(survey)
	c := assess.NewCase(layout, facts.NewIndex(&survey), nil)
	content, err := written.Write(page.Draw(page.Given{Case: c, Findings: assess.Assess(c), NoHistory: "nobody has asked"}))
	require.NoError(t, err)
	assert.Less(t, len(content), mostBytes)
	assert.Greater(t, len(content), mostBytes/4, "the large host is not drawn")
	t.Log(len(content))
}

// BenchmarkDraw draws a large host, beside the checks of it in the same run; its
// bound is 300 ms.
func BenchmarkDraw(b *testing.B) {
	survey, layout := invented.Large(1)
	survey = invented.Parted(survey)
	var checks, draws time.Duration
	for b.Loop() {
		start := time.Now()
		c := assess.NewCase(layout, facts.NewIndex(&survey), nil)
		findings := assess.Assess(c)
		middle := time.Now()
		_, err := written.Write(page.Draw(page.Given{Case: c, Findings: findings, NoHistory: "nobody has asked"}))
		require.NoError(b, err)
		checks, draws = checks+middle.Sub(start), draws+time.Since(middle)
	}
	b.ReportMetric(float64(draws)/float64(checks), "times-the-checks")
	b.ReportMetric(float64(draws.Milliseconds())/float64(b.N), "ms-to-draw")
}
