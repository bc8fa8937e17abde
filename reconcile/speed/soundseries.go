package speed

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"time"
)

// series looks at each series and its runs, and at all of them together: no two
// runs at once, none outside the measurement.
func (r Result) series() error {
	if len(r.Series) == 0 {
		return errors.New("series: there is none")
	}
	last := -1
	var written int64
	var runs []Run
	for _, s := range r.Series {
		place := slices.Index(Kinds, s.Kind)
		switch {
		case place < 0:
			return fmt.Errorf("series: %s is none of those that are measured", s.Kind)
		case place <= last:
			return fmt.Errorf("series: %s is there twice, or not in its place", s.Kind)
		case s.Deed == Write && !r.Method.Write:
			return fmt.Errorf("series: %s, and writing was not asked for", s.Kind)
		case len(s.Runs) != r.Method.Runs:
			return fmt.Errorf("series: %s has %d runs, and %d were to be made", s.Kind, len(s.Runs), r.Method.Runs)
		}
		last = place
		for i, run := range s.Runs {
			if err := r.run(s.Kind, run); err != nil {
				return fmt.Errorf("series: %s, run %d: %w", s.Kind, i+1, err)
			}
			if s.Deed == Write {
				written += run.Bytes
			}
		}
		runs = append(runs, s.Runs...)
	}
	if written > r.Method.Written {
		return fmt.Errorf("method written_bytes: %d, and the series wrote %d", r.Method.Written, written)
	}
	return apart(runs)
}

// run looks at one run. Times, counts and rates are bounded before they are
// multiplied.
func (r Result) run(k Kind, run Run) error {
	least := r.Method.RunLasts
	if k.Deed == Write && run.Bytes >= r.Method.FileBytes {
		least = 1
	}
	err := cmp.Or(
		within("at_ns", run.At, 0, longest),
		within("took_ns", run.Took, least, longestRun),
		within("operations", run.Operations, 1, maxBytes/k.BlockBytes),
		within("p50_ns", run.P50, 1, run.P99),
		within("p99_ns", run.P99, 1, run.P999),
		within("p999_ns", run.P999, 1, run.Took),
		within("cpu_ns", run.CPU, 0, run.Took*time.Duration(r.Place.Processors)+cpuSteps))
	switch {
	case err != nil:
		return err
	case run.Bytes != run.Operations*k.BlockBytes:
		return fmt.Errorf("%d bytes are not %d operations of %d bytes", run.Bytes, run.Operations, k.BlockBytes)
	case run.At+run.Took > r.Clock.Took:
		return errors.New("it ends after the measurement")
	case run.Rate() > fastest:
		return fmt.Errorf("%.0f bytes a second are more than anything moves", run.Rate())
	}
	return run.waits(k.Depth)
}

// cpuSteps is by how much processor time may go beyond the time that passed: it is
// counted in steps, on Windows of 15.6 ms for each thread.
const cpuSteps = time.Second

// waits holds the latencies against the time that there was: no more than depth
// operations wait at once, so all waits together are at most depth times the time
// that passed (Little's law), and the slowest half, hundredth and thousandth of
// them each waited at least the latency that is told of it. A quarter is left for
// a counter that rounds latencies up.
func (run Run) waits(depth int) error {
	most := 1.25 * float64(depth) * float64(run.Took)
	for _, p := range []struct {
		name  string
		part  float64
		value time.Duration
	}{{"p50_ns", 0.5, run.P50}, {"p99_ns", 0.01, run.P99}, {"p999_ns", 0.001, run.P999}} {
		if p.part*float64(run.Operations)*float64(p.value) > most {
			return fmt.Errorf("%s: %v is more than so many operations can have waited in %v", p.name, p.value, run.Took)
		}
	}
	return nil
}

func apart(runs []Run) error {
	runs = slices.SortedFunc(slices.Values(runs), func(a, b Run) int { return cmp.Compare(a.At, b.At) })
	for i := 1; i < len(runs); i++ {
		if runs[i-1].At+runs[i-1].Took > runs[i].At {
			return fmt.Errorf("series: a run begins after %v, while another one is under way", runs[i].At)
		}
	}
	return nil
}

// Rate gives bytes a second.
func (run Run) Rate() float64 { return float64(run.Bytes) / run.Took.Seconds() }
