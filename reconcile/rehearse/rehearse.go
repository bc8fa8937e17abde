// Package rehearse carries an order out on a host in memory made from a
// survey: once through, then once for every way in which every call of that run
// can go wrong, and tells how each case ended. Start at Run.
package rehearse

import (
	"context"
	"fmt"
	"time"

	"lendkeep/reconcile/carry"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/fault"
	"lendkeep/reconcile/order"
)

// Rehearsal is an order and the host it is rehearsed on.
type Rehearsal struct {
	Sealed order.Sealed
	Survey facts.Survey
	Host   func(facts.Survey, Judge) Host     // makes the host that each run begins with
	Judge  Judge                              // libvirt, asked in the run without faults; may be nil
	Make   func(carry.Carrier) *carry.Carrier // makes the carrier of each run; nil: as it is
	// Watch is told how many of the order's calls are through; nil: nobody is.
	Watch func(done, calls int)
	// Pick chooses which cases are held; nil: all.
	Pick func(call int, mode fault.Mode) bool

	planned facts.Survey
	first   facts.Survey      // how the host answers before anything is done
	answers map[string]string // what the judge made of each definition
}

// Case is one run with one fault, up to the end of its recovery.
type Case struct {
	Call     string       `json:"call"` // the call that went wrong
	Number   int          `json:"number"`
	Mode     fault.Mode   `json:"mode"`
	Recovery string       `json:"recovery,omitempty"` // what was done after a run that did not end by itself
	Ended    carry.Result `json:"ended"`
	Good     bool         `json:"good"`
	Why      string       `json:"why,omitempty"` // what is wrong with the way it ended, or what a person must do
}

// Report is what a rehearsal found.
type Report struct {
	Through Case   `json:"through"` // the run without a fault
	Judged  int    `json:"judged"`  // definitions that libvirt judged
	Calls   int    `json:"calls"`
	Cases   []Case `json:"cases"`
}

// Good tells whether every case ended as it should.
func (r Report) Good() bool {
	for _, c := range r.Cases {
		if !c.Good {
			return false
		}
	}
	return r.Through.Good
}

// Run rehearses. An error says that the rehearsal could not be held, not that
// it went badly.
func (r *Rehearsal) Run(ctx context.Context) (Report, error) {
	approval, err := order.Approve(r.Sealed, r.Sealed.Code(), r.Sealed.Order.Erases()...)
	if err != nil {
		return Report{}, err
	}
	report, calls, err := r.through(ctx, approval)
	if err != nil || !report.Through.Good {
		return report, err
	}
	for n, call := range calls {
		if r.Watch != nil {
			r.Watch(n, len(calls))
		}
		for _, mode := range fault.Modes {
			if !applies(call, mode) || r.Pick != nil && !r.Pick(n, mode) {
				continue
			}
			cases, err := r.cases(ctx, approval, n, call, mode)
			if err != nil {
				return report, err
			}
			report.Cases = append(report.Cases, cases...)
		}
	}
	return report, ctx.Err()
}

// applies leaves out what makes no difference: a read that is cut off or lost
// after it was done is like one before. The journal's disk does not pretend:
// nothing could be proved about any program then.
func applies(call fault.Call, mode fault.Mode) bool {
	switch mode {
	case fault.FailAfter, fault.HangAfter, fault.CrashAfter:
		return call.Deed
	case fault.Pretend, fault.Meddle:
		return call.Deed && !call.Journal
	default:
		return true
	}
}

// through runs without a fault and notes how the host then stands.
func (r *Rehearsal) through(ctx context.Context, approval order.Approval) (Report, []fault.Call, error) {
	recorder := &recorder{inner: r.Judge, answers: map[string]string{}}
	host := r.host(recorder)
	var err error
	if r.first, err = host.Survey(ctx); err != nil {
		return Report{}, nil, err
	}
	run := newRun(r, host, &fault.Fault{})
	ended, err := run.out(ctx, approval)
	if err != nil {
		return Report{}, nil, fmt.Errorf("rehearse: %w", err)
	}
	report := Report{Through: Case{Ended: ended.Ended, Why: ended.Note}, Judged: recorder.judged, Calls: len(run.fault.Calls())}
	report.Through.Good = ended.Ended == carry.Carried && len(host.LentInUse()) == 0
	r.answers = recorder.answers
	if r.planned, err = host.Survey(ctx); err != nil {
		return report, nil, err
	}
	return report, run.fault.Calls(), nil
}

// clock passes only when somebody waits.
type clock struct{ now time.Time }

func (c *clock) Now() time.Time                          { return c.now }
func (c *clock) Wait(_ context.Context, d time.Duration) { c.now = c.now.Add(d) }
func (c *clock) Limit(ctx context.Context, _ time.Duration) (context.Context, context.CancelFunc) {
	return ctx, func() {}
}

// Planned gives the facts of the host after the run without a fault.
func (r *Rehearsal) Planned() facts.Survey { return r.planned }
