package measure

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"runtime"
	"slices"
	"sync/atomic"
	"time"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/speed"
)

// Measure measures what is asked for, and tells what it is doing, a line each time.
// The file that it makes in a folder is gone when it returns, and when the program
// ends before. The result lacks only the program's version. Errors that were
// foreseen are a Problem.
func Measure(ctx context.Context, a Asked, tell func(string)) (r speed.Result, err error) {
	if err := a.check(); err != nil {
		return r, err
	}
	if path, err := filepath.Abs(a.Path); err == nil && a.Form == speed.Folder {
		a.Path = path
	}
	t, fill, err := openTarget(a)
	if err != nil {
		return r, err
	}
	defer func() {
		if closed := t.close(); closed != nil && err == nil {
			err = fmt.Errorf("take the file in folder %s away: %w", a.Path, closed)
		}
	}()
	m := measurement{asked: a, target: t, lanes: newLanes(), tell: tell}
	defer context.AfterFunc(ctx, func() { m.stopped.Store(true) })()
	return m.whole(ctx, fill)
}

// measurement is one under way.
type measurement struct {
	asked   Asked
	target  *target
	lanes   []*lane
	way     way
	tell    func(string)
	stopped atomic.Bool

	began       time.Duration // by now()
	slept       time.Duration // of the machine, before
	written     int64
	read, blank int64 // operations that read, and those among them that found only zeros
	gaps        []facts.Gap
}

// whole looks around, fills the file, and measures every series.
func (m *measurement) whole(ctx context.Context, fill *int) (r speed.Result, err error) {
	boot, slept := sinceBoot()
	wall := time.Now()
	m.began, m.slept = now(), slept
	if m.way, m.gaps, err = openWay(m.target, m.lanes); err != nil {
		return r, err
	}
	defer m.way.close()
	m.tell("looking at the drive, and for what disturbs")
	o := lookAround(ctx, m.asked, m.target)
	o.around.FillPercent = fill
	if m.asked.Form == speed.Folder {
		if err := m.fillFile(); err != nil {
			return r, err
		}
	}
	series, err := m.series()
	if err != nil {
		return r, err
	}
	o.after(m.target)
	o.around.ZerosPercent = percent(m.blank, m.read)
	o.place.System, o.place.Machine, o.place.Processors = runtime.GOOS, runtime.GOARCH, runtime.NumCPU()
	return speed.Result{
		Format: speed.Format, Label: speed.Text(m.asked.Label), Place: o.place, Target: o.target, Around: o.around, Series: series,
		Clock: speed.Clock{Began: second(wall), Ended: second(time.Now()), Boot: boot, Took: now() - m.began},
		Method: speed.Method{Through: m.way.name(), Direct: o.direct(), WriteThrough: writesThrough, Write: m.asked.Write,
			FileBytes: m.target.bytes, Written: m.written, Runs: m.asked.Runs, RunLasts: m.asked.Lasts},
		Gaps: append(m.gaps, o.gaps...),
	}, nil
}

func second(t time.Time) time.Time { return t.UTC().Round(0).Truncate(time.Second) }

// fillSteps is in how many parts a file is filled, so that there is progress to tell.
const fillSteps = 16

// fillFile writes the whole file once: what was never written is read without the
// drive.
func (m *measurement) fillFile() error {
	kind := speed.Kind{Access: speed.Sequential, Deed: speed.Write, BlockBytes: Block, Depth: 8}
	all := m.target.bytes / Block
	step := (all + fillSteps - 1) / fillSteps
	began, series := now(), m.lasting(m.asked.Runs*len(m.asked.kinds()))
	for first := int64(0); first < all; first += step {
		left := time.Duration(0) // not known before anything is filled
		if first > 0 {
			left = (now()-began)*time.Duration(all-first)/time.Duration(first) + series
		}
		m.tell(fmt.Sprintf("filling the file, %d of %d MiB", first, all) + andLeft(left))
		made, err := m.through(&course{kind: kind, first: first, most: min(step, all-first)})
		if err != nil {
			return fmt.Errorf("fill the file: %w", err)
		}
		m.written += made.Bytes
	}
	return m.settled()
}

// lasting gives how long so many runs take, if they take their time.
func (m *measurement) lasting(runs int) time.Duration { return time.Duration(runs) * m.asked.Lasts }

// andLeft adds how long all that is measured still takes; 0 adds nothing.
func andLeft(left time.Duration) string {
	if left <= 0 {
		return ""
	}
	return "; left about " + left.Round(time.Second).String()
}

// settled waits until what was written has reached the drive.
func (m *measurement) settled() error {
	if err := m.target.settle(); err != nil {
		return fmt.Errorf("wait until the file has reached the drive: %w", err)
	}
	return nil
}

// series measures every series, in turns: what disturbs for a while then disturbs all.
func (m *measurement) series() ([]speed.Series, error) {
	var list []speed.Series
	for _, k := range m.asked.kinds() {
		list = append(list, speed.Series{Kind: k})
	}
	runs := m.asked.Runs * len(list)
	for i := range m.asked.Runs {
		for j := range list {
			s := &list[j]
			runs--
			made, err := m.once(s.Kind, i)
			if err != nil {
				return nil, err
			}
			s.Runs = append(s.Runs, made)
			m.tell(fmt.Sprintf("run %d of %d, %s: %.1f MB/s, %.0f a second", i+1, m.asked.Runs, s.Kind, made.Rate()/1e6, float64(made.Operations)/made.Took.Seconds()) + andLeft(m.lasting(runs)))
		}
	}
	return list, nil
}

// once makes one run. A sequential one begins elsewhere each time, so that no cache
// has what an earlier one has read.
func (m *measurement) once(kind speed.Kind, i int) (speed.Run, error) {
	c := &course{kind: kind, lasts: m.asked.Lasts}
	c.first = m.target.bytes / kind.BlockBytes * int64(i) / int64(m.asked.Runs)
	if c.writes() {
		c.most = m.target.bytes / kind.BlockBytes
	}
	made, err := m.through(c)
	if err != nil {
		return speed.Run{}, err
	}
	if c.writes() {
		m.written += made.Bytes
		err = m.settled()
	} else {
		m.read += made.Operations
		m.blank += made.zeros
	}
	if _, slept := sinceBoot(); slept-m.slept > mostSlept {
		err = Problem{fmt.Errorf("the machine slept for %v meanwhile", slept-m.slept), "keep it awake, and measure again"}
	}
	return made.Run, err
}

// mostSlept is what the two clocks by which sleep is told may be apart without any.
const mostSlept = 100 * time.Millisecond

// through has the way go through a course, and notes a depth that was not reached.
func (m *measurement) through(c *course) (lap, error) {
	c.blocks, c.stopped = m.target.bytes/c.kind.BlockBytes, &m.stopped
	made, err := c.through(m.way, m.lanes, m.began)
	if errors.Is(err, errStopped) {
		return lap{}, Problem{err, "measure again; the file is gone"}
	}
	if err != nil {
		return lap{}, fmt.Errorf("measure %s: %w", m.asked.Path, err)
	}
	shallow := gap(c.kind.String()+", at its depth", m.asked.Path, fmt.Sprintf("only %d operations were under way at once", made.depth))
	if made.depth < min(int64(c.kind.Depth), made.Operations) && !slices.ContainsFunc(m.gaps, func(g facts.Gap) bool { return g.Fact == shallow.Fact }) {
		m.gaps = append(m.gaps, shallow)
	}
	return made, nil
}
