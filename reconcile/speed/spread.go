package speed

import "slices"

// Spread is a value over the runs of a series.
type Spread struct {
	Median, Least, Most float64
}

// spreadOf wants at least one value.
func spreadOf(values []float64) Spread {
	sorted := slices.Sorted(slices.Values(values))
	n := len(sorted)
	return Spread{(sorted[(n-1)/2] + sorted[n/2]) / 2, sorted[0], sorted[n-1]}
}

// over gives a value of each run.
func over(runs []Run, value func(Run) float64) []float64 {
	var list []float64
	for _, run := range runs {
		list = append(list, value(run))
	}
	return list
}
