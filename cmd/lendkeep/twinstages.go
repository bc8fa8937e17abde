package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"
	"time"

	"lendkeep/providers/emulated"
	"lendkeep/providers/emulated/parts"
	"lendkeep/providers/memory"
	anew "lendkeep/reconcile/again"
	"lendkeep/reconcile/assess"
	"lendkeep/reconcile/definition"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/fault"
	"lendkeep/reconcile/order"
	"lendkeep/reconcile/rehearse"
	"lendkeep/reconcile/since"
	"lendkeep/reconcile/twin"
	"lendkeep/spec"
	"lendkeep/spec/plain"
)

// insider is a machine that runs, in which programs are run and files written.
type insider interface {
	Run(ctx context.Context, argv ...string) (emulated.Result, error)
	Shell(ctx context.Context, script string) (emulated.Result, error)
	WriteFile(ctx context.Context, name string, content []byte, mode os.FileMode) error
}

// trial is one order on one twin.
type trial struct {
	host     insider
	programs programs
	given    order.Sealed
	layout   *spec.Layout
	survey   *facts.Index // of the host
	machine  twin.Machine
	judge    memory.Judge
	told     *progress
	out      *text

	there   *spec.Layout // what the layout is on the twin
	before  *facts.Index // the twin as it was made
	after   *facts.Index // and once the order was carried out
	planned order.Sealed // there
	memory  standing     // a host in memory to which all of it happens too
	guests  []string     // that it has started

	otherwise   []string // what the layout states otherwise there
	steps       []anew.Difference
	differences []string
}

// standing is a host in memory that goes on after an order.
type standing interface {
	rehearse.Host
	StartByHand(ctx context.Context, guest string) error
	EndByHand(guest string) error
}

// stage is a part of a trial. It says in a few words what came of it.
type stage struct {
	name  string
	takes time.Duration // about, on two processors without KVM
	do    func(context.Context) (said string, err error)
}

const bootTakes = 40 * time.Second

// errDiffers ends a trial that cannot go on since something is not as foretold.
var errDiffers = errors.New("the twin differs")

func (t *trial) stages() []stage {
	return []stage{
		{"make its drives and guests", time.Minute, t.furnish},
		{"survey it", 10 * time.Second, t.look},
		{"plan the order there", 2 * time.Second, t.plan},
		{"carry it out", 40 * time.Second, t.apply},
		{"plan again", time.Second, t.again},
		{"end its guests by the power button", 100 * time.Second, t.end},
		{"start them by hand, and cut their power", 20 * time.Second, t.cut},
		{"roll it back", 20 * time.Second, t.rollback},
	}
}

// run runs the stages, each after the one before.
func (t *trial) run(ctx context.Context, stages []stage) error {
	for i, s := range stages {
		left := time.Duration(0)
		for _, rest := range stages[i:] {
			left += rest.takes
		}
		name := fmt.Sprintf("stage %d of %d, %s", i+1, len(stages), s.name)
		t.told.awaited(name, left)
		known := len(t.differences)
		said, err := s.do(ctx)
		t.told.end()
		if err != nil && !errors.Is(err, errDiffers) {
			return fmt.Errorf("%s: %w", s.name, err)
		}
		if found := len(t.differences) - known; found > 0 {
			said = plain.Count(found, "difference")
		}
		t.out.line("%s: %s", name, said)
		if err := errors.Join(err, t.out.err); err != nil {
			return err
		}
	}
	return nil
}

func (t *trial) differs(format string, values ...any) {
	t.differences = append(t.differences, fmt.Sprintf(format, values...))
}

// furnish puts lendkeep's programs into the machine, and makes what its drives hold
// and its guests.
func (t *trial) furnish(ctx context.Context) (string, error) {
	for place, name := range t.programs.inside {
		content, err := os.ReadFile(name)
		if err != nil {
			return "", err
		}
		if err := t.host.WriteFile(ctx, place, content, 0o755); err != nil {
			return "", err
		}
	}
	for name, content := range parts.StandIns() {
		if err := t.host.WriteFile(ctx, name, content, 0o644); err != nil {
			return "", err
		}
	}
	const script = "/run/make-twin"
	if err := t.host.WriteFile(ctx, script, []byte(parts.Script(t.machine)), 0o700); err != nil {
		return "", err
	}
	if _, err := t.must(ctx, "sh", script); err != nil {
		return "", err
	}
	return fmt.Sprintf("%s, %s", plain.Count(len((parts.Twin{Machine: t.machine}).Files()), "drive"), plain.Count(len(t.machine.Guests), "guest")), nil
}

// must runs a program there that has to end well, and gives what it printed.
func (t *trial) must(ctx context.Context, argv ...string) (string, error) {
	result, err := t.host.Run(ctx, argv...)
	if err == nil {
		err = result.Err()
	}
	return result.Stdout, err
}

// facts surveys the twin by lendkeep in it.
func (t *trial) facts(ctx context.Context) (*facts.Index, error) {
	content, err := t.must(ctx, "lendkeep", "survey", "-o", standard)
	if err != nil {
		return nil, err
	}
	survey, err := definition.Survey([]byte(content))
	return facts.NewIndex(&survey), err
}

// look tells whether the twin is as it was to be made.
func (t *trial) look(ctx context.Context) (said string, err error) {
	if t.before, err = t.facts(ctx); err != nil {
		return "", err
	}
	for _, missed := range t.machine.Missed(t.before) {
		t.differs("the twin is not as it was made: %s", missed)
	}
	return "it is as it was made", nil
}

// plan writes the order anew, from what the layout is on the twin, and carries it out
// in memory.
func (t *trial) plan(ctx context.Context) (string, error) {
	t.there, t.otherwise = anew.Layout(t.layout, t.survey, t.before, &t.machine)
	planned, err := t.order(t.before)
	if err != nil {
		return "", err
	}
	if t.planned, err = order.Seal(planned); err != nil {
		return "", err
	}
	t.steps = anew.Steps(t.given.Order, planned, &t.machine)
	keeping := func(survey facts.Survey, judge rehearse.Judge) rehearse.Host {
		host := memory.Rehearse(survey, judge)
		t.memory = host.(standing) // what it embeds
		return host
	}
	r := rehearse.Rehearsal{Host: keeping, Sealed: t.planned, Survey: *t.before.Survey, Judge: t.judge, Pick: func(int, fault.Mode) bool { return false }}
	report, err := r.Run(ctx)
	if err != nil {
		return "", err
	}
	if !report.Through.Good {
		t.differs("in memory the twin's order is not carried out: %s", report.Through.Why)
		return "", errDiffers
	}
	return fmt.Sprintf("%s, %d in the order given", plain.Count(len(planned.Steps), "step"), len(t.given.Order.Steps)), nil
}

// order plans on the twin as it is.
func (t *trial) order(on *facts.Index) (order.Order, error) {
	laid := assess.NewCase(t.there, on, t.there.Shift(t.given.Order.Shift))
	findings := assess.Assess(laid)
	if assess.Stops(findings) {
		for _, f := range findings {
			if f.Severity == assess.Stop {
				t.differs("on the twin a finding stops the order: %s (%s)%s", f.Summary, f.Check, causesOf(f))
			}
		}
		return order.Order{}, errDiffers
	}
	return order.Plan(laid, findings)
}

// causesOf gives what a finding rests on.
func causesOf(f assess.Finding) string {
	text := ""
	for _, cause := range f.Causes {
		text += fmt.Sprintf("; %s: %s", cause.Path, cause.Value)
	}
	return text
}

// lendkeep runs lendkeep there. What a person would say is said.
func (t *trial) lendkeep(ctx context.Context, arguments ...string) error {
	ctx, cancel := context.WithTimeout(ctx, orderTakesMost)
	defer cancel()
	result, err := t.host.Run(ctx, append([]string{"lendkeep"}, arguments...)...)
	if err != nil {
		return err
	}
	if result.Exit != exitDone {
		t.differs("lendkeep %s ended with exit code %d, in memory it was done: %s", arguments[0], result.Exit, plain.Cut(strings.TrimSpace(result.Stderr), mostTold))
		return errDiffers
	}
	return nil
}

// orderTakesMost bounds an order on the twin.
const orderTakesMost = 30 * time.Minute

func (t *trial) apply(ctx context.Context) (string, error) {
	const name = "/run/twin.order"
	if err := t.host.WriteFile(ctx, name, t.planned.File(), 0o600); err != nil {
		return "", err
	}
	o := t.planned.Order
	arguments := []string{"apply", name, "--approve", t.planned.Code()}
	for _, serial := range o.Erases() {
		arguments = append(arguments, "--erase", serial)
	}
	for _, guest := range o.ByHand() {
		arguments = append(arguments, "--confirmed", guest)
	}
	if err := t.lendkeep(ctx, arguments...); err != nil {
		return "", err
	}
	var err error
	if t.after, err = t.facts(ctx); err != nil {
		return "", err
	}
	in, err := t.held(ctx, "after the order", t.after)
	if err != nil {
		return "", err
	}
	for _, standing := range anew.Standing(o, in, t.after) {
		t.differs("%s", standing)
	}
	for i := range t.after.Survey.Libvirt.Guests {
		g := &t.after.Survey.Libvirt.Guests[i]
		if was := t.before.Guest(g.Name); g.Running && g.Kept != nil && (was == nil || !was.Running) {
			t.guests = append(t.guests, g.Name)
		}
	}
	return "as in memory", nil
}

// held tells where the kernel's host is not as the one in memory, which it gives.
func (t *trial) held(ctx context.Context, when string, is *facts.Index) (*facts.Index, error) {
	survey, err := t.memory.Survey(ctx)
	if err != nil {
		return nil, err
	}
	in := facts.NewIndex(&survey)
	for _, c := range since.Changes(in, is) {
		t.differs("%s, in memory and by the kernel: %s", when, c.Text)
	}
	return in, nil
}

// again holds that nothing is left to do.
func (t *trial) again(context.Context) (string, error) {
	left, err := t.order(t.after)
	if err != nil {
		return "", err
	}
	for _, w := range left.Steps {
		t.differs("planned again, there is still to do: %s", w.Step.About().Does)
	}
	return "nothing is left to do", nil
}

// end ends the guests that were started, as their systems do when they are told to.
func (t *trial) end(ctx context.Context) (string, error) {
	if len(t.guests) == 0 {
		return "the order has started none", nil
	}
	// libvirt looks for hooks when it starts (libvirt hooks, "Script names").
	if _, err := t.must(ctx, "sh", "-c", "pkill -x libvirtd; while pgrep -x libvirtd >/dev/null; do sleep 0.1; done; libvirtd -d; until virsh -q list >/dev/null 2>&1; do sleep 0.2; done"); err != nil {
		return "", err
	}
	for _, guest := range t.guests {
		off, err := t.ended(ctx, guest)
		if err != nil {
			return "", err
		}
		if !off {
			t.differs("guest %s does not answer the power button", guest)
			return "", errDiffers
		}
	}
	return t.compared(ctx, "after the guests' end", t.memory.EndByHand)
}

// Firmware takes most of two minutes without KVM until what it starts listens.
const (
	endTakesMost  = 6 * time.Minute
	backTakesMost = 3 * time.Minute
)

// ended presses a guest's power button until it is off.
func (t *trial) ended(ctx context.Context, guest string) (bool, error) {
	for end := time.Now().Add(endTakesMost); time.Now().Before(end); {
		result, err := t.host.Shell(ctx, fmt.Sprintf(`virsh -q shutdown -- %[1]s >/dev/null 2>&1 || true; sleep 3; virsh -q domstate -- %[1]s`, plain.Quoted(guest)))
		if err != nil || ctx.Err() != nil {
			return false, errors.Join(err, ctx.Err())
		}
		if strings.Contains(result.Stdout, "shut off") {
			return true, nil
		}
	}
	return false, nil
}

// compared waits until the guard has ended what it was at, and holds the twin against
// the host in memory after the same was done to the guests there.
func (t *trial) compared(ctx context.Context, when string, do func(guest string) error) (string, error) {
	result, err := t.host.Shell(ctx, fmt.Sprintf(`n=0; while pgrep -x lendkeep-hook >/dev/null; do sleep 0.2; n=$((n+1)); [ $n -lt %d ] || exit 1; done`, int(backTakesMost/(200*time.Millisecond))))
	if err != nil {
		return "", err
	}
	if result.Exit != 0 {
		t.differs("%s the guard does not come to an end", when)
	}
	for _, guest := range t.guests {
		if err := do(guest); err != nil {
			t.differs("%s, in memory: %s", when, err)
		}
	}
	is, err := t.facts(ctx)
	if err != nil {
		return "", err
	}
	_, err = t.held(ctx, when, is)
	return "as in memory", err
}

// cut starts the guests without lendkeep, and ends them as a power cut does.
func (t *trial) cut(ctx context.Context) (string, error) {
	if len(t.guests) == 0 {
		return "the order has started none", nil
	}
	for _, deed := range []struct {
		word, when string
		do         func(guest string) error
	}{
		{"start", "after a start by hand", func(guest string) error { return t.memory.StartByHand(ctx, guest) }},
		{"destroy", "after the guests' power was cut", t.memory.EndByHand},
	} {
		for _, guest := range t.guests {
			result, err := t.host.Run(ctx, "virsh", "-q", deed.word, "--", guest)
			if err != nil {
				return "", err
			}
			if err := result.Err(); err != nil {
				t.differs("%s", err)
				return "", errDiffers
			}
		}
		if _, err := t.compared(ctx, deed.when, deed.do); err != nil {
			return "", err
		}
	}
	return "as in memory", nil
}

// rollback has the twin be what it was.
func (t *trial) rollback(ctx context.Context) (string, error) {
	arguments := []string{"rollback"}
	for _, w := range t.planned.Order.Steps {
		if serial := w.Step.About().UndoErases; serial != "" && !slices.Contains(arguments, serial) {
			arguments = append(arguments, "--erase", serial)
		}
	}
	if err := t.lendkeep(ctx, arguments...); err != nil {
		return "", err
	}
	is, err := t.facts(ctx)
	if err != nil {
		return "", err
	}
	for _, c := range since.Changes(t.before, is) {
		t.differs("rolled back, the twin is not as before: %s", c.Text)
	}
	return "the twin is as before", nil
}
