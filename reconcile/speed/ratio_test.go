package speed

import (
	"math/bits"
	"testing"

	"github.com/stretchr/testify/assert"
	"pgregory.net/rapid"
)

// The critical values of the rank sum test at 0.05, two-tailed, for n runs and 5 to
// 20 runs, as statistics books print them (also docstoc 53225816, "Critical values of
// Mann-Whitney U at p = 0.05"): the rank of the first ratio told is one more.
func TestRanksAreThoseOfTheTable(t *testing.T) {
	for n, want := range map[int][]int{
		5:  {2, 3, 5, 6, 7, 8, 9, 11, 12, 13, 14, 15, 17, 18, 19, 20},
		6:  {3, 5, 6, 8, 10, 11, 13, 14, 16, 17, 19, 21, 22, 24, 25, 27},
		8:  {6, 8, 10, 13, 15, 17, 19, 22, 24, 26, 29, 31, 34, 36, 38, 41},
		10: {8, 11, 14, 17, 20, 23, 26, 29, 33, 36, 39, 42, 45, 48, 52, 55},
		12: {11, 14, 18, 22, 26, 29, 33, 37, 41, 45, 49, 53, 57, 61, 65, 69},
	} {
		for i, critical := range want {
			rank, _ := rankOf(n, i+5)
			assert.Equal(t, critical+1, rank, "%d and %d runs", n, i+5)
			other, _ := rankOf(i+5, n)
			assert.Equal(t, rank, other)
		}
	}
	rank, _ := rankOf(20, 20)
	assert.Equal(t, 128, rank)
}

func TestFiveRunsEach(t *testing.T) {
	rank, surety := rankOf(5, 5)
	assert.Equal(t, 3, rank)
	assert.InDelta(t, 0.968, surety, 0.0005)              // 1 - 2*4/252
	assert.InDelta(t, 0.0079, chanceApart(5, 5), 0.00005) // 2/252
	assert.Equal(t, 137846528820., total(ways(20, 20)))   // 40 over 20
	assert.Equal(t, []float64{1, 1, 2, 1, 1}, ways(2, 2)) // written out by hand
	assert.Equal(t, []float64{1, 1, 1, 1, 1}, ways(1, 4))
}

// Two series of the same drive: of all ways to deal ten runs out to two fives, every
// one as likely, 2 of 252 pass for different, and in 8 the ratio 1 is not between
// those that are told.
func TestSameDriveDealtOut(t *testing.T) {
	different, outside, ways := 0, 0, 0
	for dealt := range 1 << 10 {
		if bits.OnesCount(uint(dealt)) != 5 {
			continue
		}
		var a, b []float64
		for run := range 10 {
			if rate := 500 + float64(run); dealt>>run&1 == 1 {
				a = append(a, rate)
			} else {
				b = append(b, rate)
			}
		}
		ways++
		r := ratioOf(a, b)
		if r.Verdict == Different {
			different++
		}
		if r.Low > 1 || r.High < 1 {
			outside++
		}
	}
	assert.Equal(t, []int{252, 2, 8}, []int{ways, different, outside})
}

func TestRatio(t *testing.T) {
	five := []float64{100, 101, 102, 103, 104}
	for name, c := range map[string]struct {
		a, b []float64
		says string
	}{
		"faster":       {five, []float64{250, 252, 255, 257, 260}, "2.4 to 2.6 times (medians 2.5 times)"},
		"slower":       {[]float64{250, 252, 255, 257, 260}, five, "0.39 to 0.41 times (medians 0.40 times)"},
		"itself":       {five, five, "no difference that these runs can show (0.97 to 1.03 times, medians 1.00 times)"},
		"they touch":   {five, []float64{104, 105, 106, 107, 108}, "no difference that these runs can show (1.01 to 1.07 times, medians 1.04 times)"},
		"by a hair":    {five, []float64{104.1, 104.1, 104.1, 104.1, 104.1}, "1.001 to 1.041 times (medians 1.021 times)"},
		"by less":      {[]float64{1000, 1000, 1000, 1000, 1000}, []float64{1001, 1001, 1001, 1001, 1001}, "1.001 times (medians 1.001 times)"},
		"one run each": {[]float64{100}, []float64{900}, "too few runs to tell a difference from chance (medians 9.0 times)"},
		"three each":   {five[:3], []float64{900, 901, 902}, "too few runs to tell a difference from chance (medians 8.9 times)"},
		"four each":    {five[:4], []float64{900, 901, 902, 903}, "too few runs to tell a difference from chance (8.7 to 9.0 times, medians 8.9 times)"},
		"four and six": {five[:4], []float64{900, 901, 902, 903, 904, 905}, "8.8 to 9.0 times (medians 8.9 times)"},
		"a thousandth": {five, []float64{.1, .1, .1, .1, .1}, "0.00096 to 0.00100 times (medians 0.00098 times)"},
		"a great many": {five, []float64{1e6, 1e6, 1e6, 1e6, 1e6}, "9615 to 10000 times (medians 9804 times)"},
	} {
		assert.Equal(t, c.says, ratioOf(c.a, c.b).String(), name)
	}
}

func TestSpread(t *testing.T) {
	assert.Equal(t, Spread{2, 1, 9}, spreadOf([]float64{9, 1, 2}))
	assert.Equal(t, Spread{3, 1, 9}, spreadOf([]float64{9, 4, 1, 2}))
	assert.Equal(t, Spread{4, 4, 4}, spreadOf([]float64{4}))
}

// Whatever the runs: never different where the spans overlap or touch, the same seen
// from either side, and the ratio of the medians within what all ratios span.
func TestRatiosOfAnyRuns(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rate := rapid.Custom(func(t *rapid.T) float64 {
			if rapid.Bool().Draw(t, "coarse") {
				return float64(rapid.IntRange(1, 20).Draw(t, "rate")) // ties
			}
			return rapid.Float64Range(1e-9, 1e12).Draw(t, "rate")
		})
		a := rapid.SliceOfN(rate, 1, MaxRuns).Draw(t, "a")
		b := rapid.SliceOfN(rate, 1, MaxRuns).Draw(t, "b")
		r, back := ratioOf(a, b), ratioOf(b, a)
		x, y := spreadOf(a), spreadOf(b)
		overlap := x.Least <= y.Most && y.Least <= x.Most
		assert.False(t, overlap && r.Verdict == Different)
		assert.Equal(t, r.Verdict, back.Verdict)
		assert.InEpsilon(t, 1, r.OfMedians*back.OfMedians, 1e-9)
		all := ratios(a, b)
		assert.True(t, r.OfMedians >= all[0]*(1-1e-9) && r.OfMedians <= all[len(all)-1]*(1+1e-9))
		if r.Low > 0 {
			assert.InEpsilon(t, 1, r.Low*back.High, 1e-9)
			assert.LessOrEqual(t, r.Low, r.High)
			assert.True(t, r.Surety >= 0.95 && r.Surety < 1)
		}
		if r.Verdict == Different {
			assert.True(t, r.Low > 1 || r.High < 1 && r.High > 0, "the ratios are on one side of 1")
			assert.NotRegexp(t, `\b1\.0+ `, r.Span()+" ")
		}
		assert.NotEmpty(t, r.String())
	})
}
