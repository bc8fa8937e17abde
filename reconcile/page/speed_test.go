package page_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/invented"
	"lendkeep/reconcile/page"
	"lendkeep/reconcile/speed"
)

// Measurements are charted beside what the links of their drive carry; what the links
// of the layout's controllers carry is told without any.
func TestSpeed(t *testing.T) {
	b, layout := larch()
	f := b.Function(facts.Address{Bus: 1})
	f.Link, f.PayloadBytes = &facts.Link{SpeedMTps: 8000, Width: 4, MaxSpeedMTps: 8000, MaxWidth: 4}, 256
	g := given(t, &b.Survey, layout, "")
	g.NoMeasures = "none were given"
	drawn := page.Draw(g).Speed
	assert.Equal(t, "none were given", drawn.Why)
	require.Len(t, drawn.Ceilings, 1)
	assert.Equal(t, []page.Mention{{Text: "reel", To: "pci-0000-01-00.0"}}, drawn.Ceilings[0].Of)
	assert.Contains(t, drawn.Ceilings[0].Carries, "in packets of 256 bytes")
	assert.Contains(t, drawn.Ceilings[0].Narrowest, "8 GT/s x4")

	assert.Empty(t, drawn.Others)

	way := speed.WayOf(g.Case.Facts, f.Address)
	var list []speed.Result
	for i, label := range []string{"before", "lent"} {
		r := invented.Measured(label, func(k speed.Kind, run int) float64 { return float64(1000*(i+1)+run) * 1e6 / float64(k.Depth) })
		r.Host = &speed.Host{Way: &way}
		list = append(list, r)
	}
	compared, err := speed.Compare(list)
	require.NoError(t, err)
	g.Measured = &compared
	drawn = whole(t, g).Speed
	assert.Empty(t, drawn.Why)
	assert.Len(t, drawn.Panels, len(compared.Rows))
	assert.NotEmpty(t, drawn.Beside)
	for i, panel := range drawn.Panels {
		require.Len(t, panel.Bars, 2)
		assert.Equal(t, compared.Chart().Panels[i].Title, panel.Title)
		for _, bar := range panel.Bars {
			assert.True(t, bar.Measured)
			assert.LessOrEqual(t, bar.Least, bar.Median)
			assert.LessOrEqual(t, bar.Median, bar.Most)
			assert.LessOrEqual(t, bar.Most, page.Percent(100_00))
		}
	}
}
