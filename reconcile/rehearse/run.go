package rehearse

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"lendkeep/providers/fault"
	"lendkeep/providers/memory"
	"lendkeep/reconcile/carry"
	"lendkeep/reconcile/definition"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/journal"
	"lendkeep/reconcile/order"
	"lendkeep/reconcile/step"
)

// run is one carrying out, from the start to its end or cut-off.
type run struct {
	of     *Rehearsal
	host   *memory.Host
	fault  *fault.Fault
	disk   *fault.Disk
	unsafe []string // drives that were lent while the host used them
}

func newRun(of *Rehearsal, host *memory.Host, f *fault.Fault) *run {
	return &run{of: of, host: host, fault: f, disk: &fault.Disk{Fault: f}}
}

// again is a later run on what an earlier one left.
func (r *run) again(host *memory.Host) *run { return newRun(r.of, host, &fault.Fault{}) }

func (r *run) carrier() *carry.Carrier {
	c := carry.Carrier{
		Ports:   r.fault.Wrap(r.guarded(r.host.Ports())),
		Journal: journal.New(r.disk),
		Clock:   &clock{now: r.of.Sealed.Order.SurveyedAt},
	}
	if r.of.Make != nil {
		return r.of.Make(c)
	}
	return &c
}

var errCut = errors.New("cut off")

// out carries the order out; a cut-off is errCut.
func (r *run) out(ctx context.Context, approval order.Approval) (report carry.Report, err error) {
	defer recoverCut(&err)
	return r.carrier().Out(ctx, approval)
}

func recoverCut(err *error) {
	switch cut := recover().(type) {
	case nil:
	case fault.Cut:
		*err = errCut
	default:
		panic(cut)
	}
}

// cases runs with one fault, and from what that left tries every recovery.
func (r *Rehearsal) cases(ctx context.Context, approval order.Approval, n int, call fault.Call, mode fault.Mode) ([]Case, error) {
	judge := &recorder{answers: r.answers}
	host := r.host(judge)
	first := newRun(r, host, &fault.Fault{Mode: mode, At: n, Meddler: func() {
		for _, record := range r.Sealed.Order.Controllers {
			host.MountAll(record.Address)
		}
	}})
	ended, err := first.out(ctx, approval)
	base := Case{Call: call.Label, Number: n, Mode: mode, Ended: ended.Ended}
	if mode == fault.Meddle {
		// What somebody else did is neither before nor planned; nothing must be
		// taken from under them, and that is all.
		base.Why, base.Good = strings.Join(append(first.unsafe, ended.Note), "; "), err == nil && len(first.unsafe) == 0
		return []Case{base}, nil
	}
	if err == nil && (ended.Ended == carry.Carried || ended.Ended == carry.Restored) {
		return []Case{first.verdict(ctx, base, false)}, nil
	}
	if err == nil && mode != fault.FailForever {
		base.Why = ended.Note
		base.Good = ended.Ended == carry.Stuck && len(ended.Hung) > 0 && len(first.unsafe) == 0
		return []Case{base}, nil
	}
	var list []Case
	for _, power := range []bool{false, true} {
		if power && !errors.Is(err, errCut) {
			continue
		}
		for _, way := range []string{"resume", "rollback"} {
			if way == "resume" && ended.Ended == carry.Stuck {
				continue
			}
			list = append(list, first.recovered(ctx, base, power, way))
		}
	}
	return list, nil
}

// recovered goes on from what a run left behind: after a killed process the
// host lives on, after a power cut it was started again.
func (r *run) recovered(ctx context.Context, c Case, power bool, way string) Case {
	host, content := r.host.Second(), r.disk.Killed()
	c.Recovery = "process ended, then " + way
	if power {
		host.PowerCut()
		content = r.disk.PowerCut()
		c.Recovery = "power cut, then " + way
	}
	later := r.again(host)
	later.unsafe = slices.Clone(r.unsafe)
	records, _, err := journal.Read(content)
	if err == nil && len(records) == 0 {
		c.Ended = carry.Restored // nothing was begun
		return later.verdict(ctx, c, power)
	}
	report, err := carry.Fold(records)
	if err == nil && report.Ended == carry.Carried && way == "resume" && power {
		// It had ended; what a power cut takes afterwards is for the next plan.
		c.Ended, c.Good = report.Ended, len(r.unsafe) == 0
		return c
	}
	if err == nil && (report.Ended == "" || report.Ended == carry.Stuck || way == "rollback") {
		carrier := later.carrier()
		if way == "resume" {
			report, err = carrier.Resume(ctx, report)
		} else {
			report, err = carrier.Rollback(ctx, report)
		}
	}
	if err != nil {
		c.Why = "recovery failed: " + err.Error()
		return c
	}
	c.Ended, c.Why = report.Ended, report.Note
	return later.verdict(ctx, c, power)
}

// verdict compares how the host stands with what the result claims.
func (r *run) verdict(ctx context.Context, c Case, power bool) Case {
	note := c.Why
	c.Good, c.Why = true, ""
	bad := func(why string) { c.Good, c.Why = false, why }
	survey, err := r.host.Survey(ctx)
	if err != nil {
		bad(err.Error())
		return c
	}
	want := r.of.first
	switch c.Ended {
	case carry.Carried:
		want = r.of.planned
	case carry.Restored:
	default:
		bad("it ended neither carried out nor rolled back: " + note)
		return c
	}
	ix := facts.NewIndex(&survey)
	if step, off := r.outOfPlace(ix, r.unavoidable(ctx, power), c.Ended); off {
		bad(fmt.Sprintf("it says %q, but %s", c.Ended, step))
	}
	if differences := facts.Differences(canonical(want), canonical(survey)); len(differences) > 0 && !power {
		bad(fmt.Sprintf("it says %q, but %s", c.Ended, strings.Join(differences, "; ")))
	}
	if len(r.unsafe) > 0 {
		bad(strings.Join(r.unsafe, "; "))
	}
	return c
}

// canonical writes the kept definitions of a survey in one way, since libvirt
// does not give them back to the byte.
func canonical(s facts.Survey) facts.Survey {
	s = memory.Clone(s)
	for i := range s.Libvirt.Guests {
		g := &s.Libvirt.Guests[i]
		if g.Kept != nil {
			kept := *g.Kept
			kept.XML = definition.Canonical(kept.XML)
			g.Kept = &kept
		}
	}
	return s
}

// unavoidable gives the host as a power cut alone leaves it, without any order;
// nil where there was none.
func (r *run) unavoidable(ctx context.Context, power bool) *facts.Index {
	if !power {
		return nil
	}
	host := r.of.host(nil)
	host.PowerCut()
	survey, err := host.Survey(ctx)
	if err != nil {
		return nil
	}
	return facts.NewIndex(&survey)
}

// outOfPlace asks, for each thing that the order changes, the last step that
// changes it whether it is in force, or the first whether the host stands as it
// did at first. What a power cut alone would have changed counts as undone.
func (r *run) outOfPlace(ix, cut *facts.Index, ended carry.Result) (string, bool) {
	steps := slices.Clone(r.of.Sealed.Order.Steps)
	if ended == carry.Carried {
		slices.Reverse(steps)
	}
	first := facts.NewIndex(&r.of.Survey)
	seen := map[string]bool{}
	for n, w := range steps {
		decides := false
		for _, f := range w.Step.Gives() {
			decides = decides || !seen[f.Of]
			seen[f.Of] = true
		}
		standing, what := w.Step.Stands(ix)
		good := []step.Standing{step.After}
		if ended == carry.Restored {
			good = standings(w.Step, first, cut)
		}
		hidden := ended == carry.Carried && standing == step.Neither &&
			slices.ContainsFunc(steps[:n], func(later step.Written) bool { return step.Hides(later.Step, w.Step) })
		if decides && !hidden && !slices.Contains(good, standing) {
			return what, true
		}
	}
	return "", false
}

func standings(s step.Step, on ...*facts.Index) []step.Standing {
	var list []step.Standing
	for _, ix := range on {
		if ix != nil {
			standing, _ := s.Stands(ix)
			list = append(list, standing)
		}
	}
	return list
}

// guarded notes every lend of a drive that the host uses at that moment. It
// stands behind the fault, so it sees what really happens.
func (r *run) guarded(p step.Ports) step.Ports {
	g := guard{p, r}
	p.Guests, p.Functions = g, g
	return p
}

type guard struct {
	step.Ports
	run *run
}

func (g guard) inUse(ctx context.Context, at facts.Address) {
	survey, err := g.run.host.Survey(ctx)
	if err != nil {
		return
	}
	for _, use := range facts.NewIndex(&survey).LiveUses(at) {
		g.run.unsafe = append(g.run.unsafe, "lent while in use: "+use.String())
	}
}

func (g guard) Define(ctx context.Context, xml string) error { return g.Guests.Define(ctx, xml) }
func (g guard) Undefine(ctx context.Context, name string) error {
	return g.Guests.Undefine(ctx, name)
}
func (g guard) Autostart(ctx context.Context, name string, on bool) error {
	return g.Guests.Autostart(ctx, name, on)
}
func (g guard) Stop(ctx context.Context, name string, within time.Duration) error {
	return g.Guests.Stop(ctx, name, within)
}

func (g guard) Start(ctx context.Context, name string) error {
	survey, err := g.run.host.Survey(ctx)
	if err != nil {
		return err
	}
	if guest := facts.NewIndex(&survey).Guest(name); guest != nil && guest.Kept != nil {
		for _, lent := range guest.Kept.Lent {
			g.inUse(ctx, lent.Address)
		}
	}
	return g.Guests.Start(ctx, name)
}

func (g guard) ToHost(ctx context.Context, at facts.Address) error {
	return g.Functions.ToHost(ctx, at)
}

func (g guard) ToVFIO(ctx context.Context, at facts.Address) error {
	g.inUse(ctx, at)
	return g.Functions.ToVFIO(ctx, at)
}
