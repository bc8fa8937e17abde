package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"lendkeep/providers/emulated"
	"lendkeep/providers/emulated/parts"
	"lendkeep/providers/files"
	anew "lendkeep/reconcile/again"
	"lendkeep/reconcile/assess"
	"lendkeep/reconcile/carry"
	"lendkeep/reconcile/definition"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/order"
	"lendkeep/reconcile/twin"
	"lendkeep/spec"
	"lendkeep/spec/plain"
)

// insider is a machine that runs, in which programs are run and files written.
type insider interface {
	Run(ctx context.Context, argv ...string) (emulated.Result, error)
	Shell(ctx context.Context, script string) (emulated.Result, error)
	WriteFile(ctx context.Context, name string, content []byte, mode os.FileMode) error
	PowerCut() error
	PowerOn(ctx context.Context, m emulated.Machine) error
	Unplug(ctx context.Context, card string) error
}

// trial is one order on one twin.
type trial struct {
	host     insider
	programs programs
	every    bool // a trial at every step
	given    order.Sealed
	layout   *spec.Layout
	survey   *facts.Index // of the host
	machine  twin.Machine
	told     *progress
	out      *text
	report   anew.Report // as far as it has come

	there   *spec.Layout  // what the layout is on the twin
	made    *facts.Index  // the twin as it was made
	before  *facts.Index  // and as it was when the order was planned
	now     *facts.Index  // and as it is since it was rolled back
	after   *facts.Index  // and once the order was carried out
	planned order.Sealed  // there
	memory  standing      // a host in memory to which all of it happens too
	dismiss func()        // the judge of that host
	carrier carry.Carrier // of the order in memory
	records records       // what that has noted
	guests  []string      // that it has started
	inForce bool          // an order of the trials stands, in memory too

	otherwise   []string          // what the layout states otherwise there
	untried     []anew.Difference // steps for which the twin lacks something
	steps       []anew.Difference // the others that only one of the orders has
	left        []string          // what is not as before after the rollback, in memory neither
	differences []string
}

// stage is a part of a trial. It says in a few words what came of it.
type stage struct {
	name  string
	takes time.Duration // about, on two processors without KVM
	do    func(context.Context) (said string, err error)
}

const bootTakes = 40 * time.Second

// notTried is why a stage or a trial was left out: for that the twin has nothing.
type notTried string

func (n notTried) Error() string { return "not tried: " + string(n) }

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
		{"roll it back", 20 * time.Second, t.undone},
	}
}

// goThrough runs the stages, each after the one before; then is how long what follows them
// takes. What comes of each is added to the report.
func (t *trial) goThrough(ctx context.Context, called string, stages []stage, then time.Duration, into *[]anew.Outcome) error {
	for i, s := range stages {
		left := then
		for _, rest := range stages[i:] {
			left += rest.takes
		}
		name := fmt.Sprintf("%s %d of %d, %s", called, i+1, len(stages), s.name)
		t.told.awaited(name, left)
		known, began := len(t.differences), time.Now()
		said, err := s.do(ctx)
		t.told.end()
		var lacks notTried
		if errors.As(err, &lacks) {
			t.untried = append(t.untried, anew.Difference{Step: s.name, Lacks: string(lacks)})
			said, err = lacks.Error(), nil
		}
		if err != nil && !errors.Is(err, errDiffers) {
			return fmt.Errorf("%s: %w", s.name, err)
		}
		found := len(t.differences) - known
		if found > 0 {
			said = plain.Count(found, "difference")
		}
		*into = append(*into, anew.Outcome{Name: s.name, Said: said, Seconds: int(time.Since(began).Round(time.Second).Seconds()), Differences: found})
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
	for place, name := range t.inside() {
		content, err := os.ReadFile(name)
		if err != nil {
			return "", err
		}
		if err := t.host.WriteFile(ctx, place, content, 0o755); err != nil {
			return "", err
		}
	}
	if err := t.nameImages(ctx); err != nil {
		return "", err
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

// nameImages lays the given layout's files into the twin, so that what it names is
// looked at there.
func (t *trial) nameImages(ctx context.Context) error {
	names, err := layoutFiles(t.layout.Dir)
	if err != nil {
		return err
	}
	if _, err := t.must(ctx, "mkdir", "-p", layoutThere); err != nil {
		return err
	}
	for i, name := range names {
		content, err := files.Read(name, spec.MaxFileBytes)
		if err != nil {
			return err
		}
		if err := t.host.WriteFile(ctx, fmt.Sprintf("%s/%d%s", layoutThere, i+1, spec.Extension), content, 0o600); err != nil {
			return err
		}
	}
	return nil
}

// layoutThere is where the given layout is in a twin, also after another boot.
const layoutThere = "/var/lib/layout.twin"

// inside gives lendkeep's programs by their places in the twin: where the host has
// them, or lendkeep alone where nothing looks for it but this trial.
func (t *trial) inside() map[string]string {
	places := map[string]string{apart: t.programs.lendkeep}
	if t.survey.Survey.Guard.Program {
		places[facts.GuardProgram] = t.programs.guard
	}
	if t.survey.Survey.Watch.Program {
		places[facts.WatchProgram] = t.programs.lendkeep
	}
	return places
}

// apart is where lendkeep is in a twin whatever the host has.
const apart = "/var/lib/lendkeep.twin"

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
	content, err := t.must(ctx, apart, "survey", "--layout", layoutThere, "-o", standard)
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
	t.made = t.before
	for _, missed := range t.machine.Missed(t.before) {
		t.differs("the twin is not as it was made: %s", missed)
	}
	own, err := anew.OwnOf(t.survey, t.before, &t.machine)
	if err != nil {
		return "", err
	}
	t.otherwise = own.Said
	if own.Guard == nil && len(own.Defined) == 0 {
		return "it is as it was made", nil
	}
	if err := t.leave(ctx, own); err != nil {
		return "", err
	}
	t.before, err = t.facts(ctx)
	return "it is as it was made, with what earlier orders had left", err
}

// leave has the twin be as earlier orders have left the host.
func (t *trial) leave(ctx context.Context, own anew.Own) error {
	for _, d := range own.Defined {
		const name = "/run/guest.xml"
		if err := t.host.WriteFile(ctx, name, []byte(d.XML), 0o600); err != nil {
			return err
		}
		if _, err := t.must(ctx, "virsh", "-q", "define", name); err != nil {
			return err
		}
	}
	if own.Guard == nil {
		return nil
	}
	for _, f := range own.Guard.Each() {
		if f.Content == "" {
			continue
		}
		mode, err := f.Mode.Bits(f.Usual)
		if err != nil {
			return err
		}
		if _, err := t.must(ctx, "mkdir", "-p", filepath.Dir(f.Path)); err != nil {
			return err
		}
		if err := t.host.WriteFile(ctx, f.Path, []byte(f.Content), os.FileMode(mode)); err != nil {
			return err
		}
	}
	if _, err := t.must(ctx, "udevadm", "control", "--reload"); err != nil {
		return err
	}
	return t.toldOfHooks(ctx)
}

// toldOfHooks starts libvirt anew, which looks for hooks when it starts (libvirt
// hooks, "Script names").
func (t *trial) toldOfHooks(ctx context.Context) error {
	_, err := t.must(ctx, "sh", "-c", parts.RestartLibvirt)
	return err
}

// plan writes the order anew, from what the layout is on the twin, and carries it out
// in memory.
func (t *trial) plan(ctx context.Context) (string, error) {
	there, said := anew.Layout(t.layout, t.survey, t.before, &t.machine)
	t.there, t.otherwise = there, append(t.otherwise, said...)
	planned, err := t.order(t.before)
	if err != nil {
		return "", err
	}
	if t.planned, err = order.Seal(planned); err != nil {
		return "", err
	}
	for _, d := range anew.Steps(t.given.Order, planned, &t.machine) {
		if d.Lacks != "" {
			t.untried = append(t.untried, d)
		} else {
			t.steps = append(t.steps, d)
		}
	}
	for _, guest := range t.silent() {
		t.untried = append(t.untried, anew.Difference{Step: "shut down guest " + guest, Lacks: "no system runs in it on the twin, so its power is cut once it is told to"})
	}
	if err := t.inMemory(ctx, t.recorded); err != nil {
		return "", err
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
