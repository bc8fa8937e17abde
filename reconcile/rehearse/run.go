package rehearse

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"lendkeep/reconcile/carry"
	"lendkeep/reconcile/definition"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/fault"
	"lendkeep/reconcile/journal"
	"lendkeep/reconcile/order"
	"lendkeep/reconcile/step"
)

// run is one carrying out, from the start to its end or cut-off.
type run struct {
	of    *Rehearsal
	host  Host
	fault *fault.Fault
	disk  *fault.Disk
}

func newRun(of *Rehearsal, host Host, f *fault.Fault) *run {
	return &run{of: of, host: host, fault: f, disk: &fault.Disk{Fault: f}}
}

// again is a later run on what an earlier one left.
func (r *run) again(host Host) *run { return newRun(r.of, host, &fault.Fault{}) }

func (r *run) carrier() *carry.Carrier {
	c := carry.Carrier{
		Ports:   r.host.PortsThrough(r.fault.Host),
		Journal: journal.New(r.disk),
		Clock:   &clock{now: r.of.Sealed.Order.SurveyedAt},
	}
	if r.of.Make != nil {
		return r.of.Make(c)
	}
	return &c
}

// ErrCut is a run that was cut off.
var ErrCut = errors.New("cut off")

// out carries the order out; a cut-off is ErrCut.
func (r *run) out(ctx context.Context, approval order.Approval) (report carry.Report, err error) {
	defer recoverCut(&err)
	return r.carrier().Out(ctx, approval)
}

func recoverCut(err *error) {
	switch cut := recover().(type) {
	case nil:
	case fault.Cut:
		*err = ErrCut
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
		unsafe := host.LentInUse()
		base.Why, base.Good = strings.Join(append(unsafe, ended.Note), "; "), err == nil && len(unsafe) == 0
		return []Case{base}, nil
	}
	if err == nil && (ended.Ended == carry.Carried || ended.Ended == carry.Restored) {
		return []Case{first.verdict(ctx, base, false)}, nil
	}
	if err == nil && mode != fault.FailForever {
		base.Why = ended.Note
		base.Good = ended.Ended == carry.Stuck && len(ended.Hung) > 0 && len(host.LentInUse()) == 0
		return []Case{base}, nil
	}
	var list []Case
	for _, power := range []bool{false, true} {
		if power && !errors.Is(err, ErrCut) {
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
	records, _, err := journal.Read(content)
	if err == nil && len(records) == 0 {
		c.Ended = carry.Restored // nothing was begun
		return later.verdict(ctx, c, power)
	}
	report, err := carry.Fold(records)
	if err == nil && report.Ended == carry.Carried && way == "resume" && power {
		// It had ended; what a power cut takes afterwards is for the next plan.
		c.Ended, c.Good = report.Ended, len(host.LentInUse()) == 0
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
	var off []string
	for _, d := range facts.Differences(canonical(want), canonical(survey)) {
		if c.Ended != carry.Restored || !r.loses(d, ix) {
			off = append(off, d.String())
		}
	}
	if len(off) > 0 && !power {
		bad(fmt.Sprintf("it says %q, but %s", c.Ended, strings.Join(off, "; ")))
	}
	if unsafe := r.host.LentInUse(); len(unsafe) > 0 {
		bad(strings.Join(unsafe, "; "))
	}
	return c
}

// loses tells whether an undo says itself that it leaves this difference: of a function
// that is with the host again, by no driver_override.
func (r *run) loses(d facts.Difference, ix *facts.Index) bool {
	return d.What == "function" && slices.ContainsFunc(r.of.Sealed.Order.Steps, func(w step.Written) bool {
		return slices.ContainsFunc(w.Step.About().Loses, func(at facts.Address) bool {
			f := ix.Function(at)
			return at.String() == d.Name && f != nil && !f.OnVFIO() && f.DriverOverride == ""
		})
	})
}

// canonical writes the kept definitions of a survey in one way, since libvirt
// does not give them back to the byte, and the names of disks.
func canonical(s facts.Survey) facts.Survey {
	s = byController(s)
	s.Libvirt.Guests = slices.Clone(s.Libvirt.Guests)
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

// byController names SCSI disks by their controllers: which name one gets that comes back
// hangs on what came back before it (Linux drivers/scsi/sd.c, sd_probe).
func byController(s facts.Survey) facts.Survey {
	s.Blocks, s.Contents, s.Paths = slices.Clone(s.Blocks), slices.Clone(s.Contents), slices.Clone(s.Paths)
	names, disks := map[string]string{}, map[facts.Address]int{}
	for _, b := range s.Blocks {
		if b.Whole == "" && b.Controller != nil && strings.HasPrefix(b.Name, "sd") {
			disks[*b.Controller]++
			names[b.Name] = fmt.Sprintf("%d of %s", disks[*b.Controller], b.Controller)
		}
	}
	for _, b := range s.Blocks {
		if disk, is := names[b.Whole]; is {
			names[b.Name] = disk + strings.TrimPrefix(b.Name, b.Whole)
		}
	}
	named := func(was string) string { return cmp.Or(names[was], was) }
	for i := range s.Blocks {
		b := &s.Blocks[i]
		if names[b.Name] != "" {
			b.Devno = facts.Devno{}
		}
		b.Name, b.Whole = named(b.Name), named(b.Whole)
	}
	for i := range s.Contents {
		s.Contents[i].Of = named(s.Contents[i].Of)
	}
	for i := range s.Paths {
		if device, is := strings.CutPrefix(s.Paths[i].Resolved, "/dev/"); is {
			s.Paths[i].Resolved = "/dev/" + named(device)
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
	host := r.of.host(&recorder{})
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
	seen := map[step.Thing]bool{}
	for n, w := range steps {
		decides := false
		about := w.Step.About()
		for _, given := range about.Gives {
			decides = decides || !seen[given.Of]
			seen[given.Of] = true
		}
		standing, what := w.Step.Stands(ix)
		good := []step.Standing{step.After}
		if ended == carry.Restored {
			good = standings(w.Step, first, cut)
		}
		hidden := ended == carry.Carried && standing == step.Neither &&
			slices.ContainsFunc(steps[:n], func(later step.Written) bool { return step.Hides(later.Step.About(), about) })
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
