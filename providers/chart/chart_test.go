package chart_test

import (
	"encoding/xml"
	"errors"
	"io"
	"os/exec"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"lendkeep/providers/chart"
	"lendkeep/reconcile/invented"
	"lendkeep/reconcile/speed"
	"lendkeep/testdata/outside"
)

func drawn(t require.TestingT, c speed.Chart) string {
	svg, err := chart.SVG(c)
	require.NoError(t, err)
	return string(svg)
}

func comparison(t *testing.T, labels ...string) speed.Chart {
	var list []speed.Result
	for i, label := range labels {
		r := invented.Measured(label, func(k speed.Kind, run int) float64 { return float64(400*(i+1)+run*10) * 1e6 / float64(k.Depth) })
		r.Host = &speed.Host{Guest: "grading", Lent: true, Way: &speed.Way{PayloadBytes: 256, Links: []speed.Link{{Below: "drive", Above: "port at 0000:00:1d.0", SpeedMTps: 2500, Width: 1}}}}
		list = append(list, r)
	}
	c, err := speed.Compare(list)
	require.NoError(t, err)
	return c.Chart()
}

// elements reads an SVG as XML, and gives its elements by name, and its texts.
func elements(t require.TestingT, svg string) (map[string]int, []string) {
	decoder := xml.NewDecoder(strings.NewReader(svg))
	count, texts := map[string]int{}, []string{}
	for {
		token, err := decoder.Token()
		if errors.Is(err, io.EOF) {
			return count, texts
		}
		require.NoError(t, err, svg)
		switch token := token.(type) {
		case xml.StartElement:
			count[token.Name.Local]++
			for _, a := range token.Attr {
				assert.NotContains(t, a.Value, "NaN")
				assert.NotContains(t, a.Value, "ZgotmplZ")
			}
		case xml.CharData:
			texts = append(texts, string(token))
		case xml.ProcInst, xml.Directive, xml.Comment:
			t.Errorf("%v: it would not stand in a page", token)
		}
	}
}

func TestSVG(t *testing.T) {
	c := comparison(t, "before", "lent")
	svg := drawn(t, c)
	assert.Equal(t, svg, drawn(t, c), "the same bytes")
	count, texts := elements(t, svg)
	assert.Equal(t, len(speed.Kinds), count["g"])
	assert.Equal(t, 1+2*len(speed.Kinds), count["rect"], "a bar for each result and kind, and the paper")
	assert.Contains(t, texts, "before")
	assert.Contains(t, texts, "sequential read, 1 MiB, depth 8, MB/s")
	for _, foreign := range []string{"http://www.w3.org/1999", "href", "url(", "script", "style"} {
		assert.NotContains(t, svg, foreign, "it stands alone")
	}
}

// Labels come from operators, drives' names from guests.
func TestSVGOfHostileTexts(t *testing.T) {
	for _, label := range []string{`</text><script>alert(1)</script>`, `"><image href="http://example.org"/>`, "]]>&amp;", "\x1b[2J", "{{.Title}}", "javascript:x", strings.Repeat("w", 200)} {
		c := comparison(t, "before", "lent")
		c.Title, c.Notes = label, []string{label}
		for i := range c.Panels {
			c.Panels[i].Title, c.Panels[i].Bars[0].Name, c.Panels[i].Bars[1].Text = label, label, label
		}
		count, texts := elements(t, drawn(t, c))
		assert.Zero(t, count["script"]+count["image"])
		if len(label) < 50 && !strings.Contains(label, "\x1b") {
			assert.Contains(t, texts, label)
		}
	}
}

// Any chart is XML in which nothing is outside.
func TestSVGOfAnyChart(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		value := rapid.Float64Range(1e-6, 1e9)
		p := speed.Panel{Title: rapid.String().Draw(t, "title"), Unit: "MB/s", Step: value.Draw(t, "step")}
		p.End = p.Step * float64(rapid.IntRange(1, 8).Draw(t, "steps"))
		for range rapid.IntRange(0, 8).Draw(t, "bars") {
			p.Bars = append(p.Bars, speed.Bar{Name: rapid.String().Draw(t, "name"), Text: rapid.String().Draw(t, "text"), Measured: rapid.Bool().Draw(t, "measured"),
				Spread: speed.Spread{Median: value.Draw(t, "median"), Least: value.Draw(t, "least"), Most: value.Draw(t, "most")}, Ceiling: value.Draw(t, "ceiling")})
		}
		elements(t, drawn(t, speed.Chart{Title: rapid.String().Draw(t, "title"), Panels: []speed.Panel{p}, Notes: []string{rapid.String().Draw(t, "note")}}))
	})
}

// xmllint reads it as an XML parser of others does.
func TestSVGIsReadByOthers(t *testing.T) {
	program, err := exec.LookPath("xmllint")
	if err != nil {
		outside.Missing(t, "xmllint (Debian: libxml2-utils)")
	}
	cmd := exec.Command(program, "--noout", "--nonet", "-")
	cmd.Stdin = strings.NewReader(drawn(t, comparison(t, "a <b>", "c & d")))
	out, err := cmd.CombinedOutput()
	assert.NoError(t, err, string(out))
}
