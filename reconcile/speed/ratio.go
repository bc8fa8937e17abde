package speed

import (
	"fmt"
	"math"
	"slices"
)

// Verdict is what two series show about each other.
type Verdict string

// The verdicts. Runs never show that two drives are equal.
const (
	Different Verdict = "different"
	NoneShown Verdict = "no difference that these runs can show"
	TooFew    Verdict = "too few runs to tell a difference from chance"
)

// Ratio is how many times of one series another one is, by their rates.
type Ratio struct {
	Verdict   Verdict
	OfMedians float64
	Low, High float64 // between them it lies, with Surety; 0: there are too few runs to say
	Surety    float64 // 0.968 for five runs each
}

// ratioOf holds the rates of b against those of a, all above 0. Different are they
// only where no run of the one reaches any run of the other, least to most, and
// where that says enough: of two series of the same drive it happens twice among
// all ways to deal their runs out to two series, with five each in 0.79 %.
//
// Between which ratios the true one lies is told by the ratios of each run of b to
// each of a, sorted: as many are left away at either end as the rank sum test lets
// pass for chance (Mann and Whitney 1947; the interval is that of Hodges and
// Lehmann 1963, of ratios instead of differences). With five each, the 3rd to the
// 23rd of 25 hold it with 96.8 %.
func ratioOf(a, b []float64) Ratio {
	of, to := spreadOf(b), spreadOf(a)
	r := Ratio{Verdict: NoneShown, OfMedians: of.Median / to.Median}
	switch apart := of.Least > to.Most || of.Most < to.Least; {
	case chanceApart(len(a), len(b)) > mostChance:
		r.Verdict = TooFew
	case apart:
		r.Verdict = Different
	}
	if rank, surety := rankOf(len(a), len(b)); rank > 0 {
		all := ratios(a, b)
		r.Low, r.High, r.Surety = all[rank-1], all[len(all)-rank], surety
	}
	return r
}

func ratios(a, b []float64) []float64 {
	var all []float64
	for _, to := range a {
		for _, of := range b {
			all = append(all, of/to)
		}
	}
	slices.Sort(all)
	return all
}

// How often two series of the same drive may pass for different, and how often the
// true ratio may lie outside of what is told (common practice: 1 % and 5 %).
const (
	mostChance  = 0.01
	mostOutside = 0.05
)

// chanceApart is how often two series of n and m runs of the same drive do not
// overlap.
func chanceApart(n, m int) float64 { return 2 / total(ways(n, m)) }

// rankOf gives which of the sorted ratios is the least that is told, counted from
// 1, and how surely the true one lies between it and its mirror image; 0 where even
// the first and the last say too little.
func rankOf(n, m int) (int, float64) {
	counts := ways(n, m)
	all, outside := total(counts), 0.0
	rank, surety := 0, 0.0
	for _, count := range counts {
		outside += 2 * count / all
		if outside > mostOutside {
			break
		}
		rank, surety = rank+1, 1-outside
	}
	return rank, surety
}

// ways counts for each number u in how many ways n and m runs can be sorted so that
// u times a run of the one is above a run of the other: the coefficients of the
// Gaussian binomial. All are whole, and exact up to MaxRuns.
func ways(n, m int) []float64 {
	counts := make([]float64, n*m+1)
	counts[0] = 1
	for i := 1; i <= n; i++ {
		for u := n * m; u >= m+i; u-- {
			counts[u] -= counts[u-m-i]
		}
		for u := i; u <= n*m; u++ {
			counts[u] += counts[u-i]
		}
	}
	return counts
}

func total(counts []float64) float64 {
	sum := 0.0
	for _, count := range counts {
		sum += count
	}
	return sum
}

// String says it for people: "2.4 to 2.6 times (medians 2.5 times)", or the verdict
// and the ratios beside it.
func (r Ratio) String() string {
	medians := "medians " + times(r.OfMedians, max(decimals(r.OfMedians), r.places())) + " times"
	switch {
	case r.Verdict == Different:
		return fmt.Sprintf("%s (%s)", r.Span(), medians)
	case r.Low == 0:
		return fmt.Sprintf("%s (%s)", r.Verdict, medians)
	}
	return fmt.Sprintf("%s (%s, %s)", r.Verdict, r.Span(), medians)
}

// Span says between what the ratio lies: "2.4 to 2.6 times"; empty: not known.
func (r Ratio) Span() string {
	if r.Low == 0 {
		return ""
	}
	low, high := times(r.Low, r.places()), times(r.High, r.places())
	if low == high {
		return low + " times"
	}
	return low + " to " + high + " times"
}

// places are as many decimals as the span needs; 0: there is none.
func (r Ratio) places() int {
	if r.Low == 0 {
		return 0
	}
	places := max(decimals(r.Low), decimals(r.High))
	for places < mostPlaces && r.blurred(places) {
		places++
	}
	return places
}

// blurred says that so few places show two ratios as one, or a difference as none.
func (r Ratio) blurred(places int) bool {
	low, high, one := times(r.Low, places), times(r.High, places), times(1, places)
	return r.Low != r.High && low == high || r.Verdict == Different && (low == one || high == one)
}

const mostPlaces = 6

// decimals are enough for two digits that count, and below 2 for hundredths.
func decimals(x float64) int {
	if x >= 1 && x < 2 {
		return 2
	}
	return min(mostPlaces, max(0, 1-int(math.Floor(math.Log10(x)))))
}

func times(x float64, places int) string { return fmt.Sprintf("%.*f", places, x) }
