// Package fault wraps what steps act through, and the disk under a journal, so
// that one chosen call fails, hangs or is cut off. Count the calls of a run
// without a fault, then run again with a fault at each. Start at Fault.
package fault

import (
	"context"
	"errors"
	"fmt"
	"time"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/step"
)

// Mode is what goes wrong.
type Mode string

// What can go wrong with a call. After the deed means that it was done and only
// the answer is lost.
const (
	None        Mode = ""
	Fail        Mode = "fails"
	FailAfter   Mode = "is done but reports failure"
	Hang        Mode = "never answers and is not done"
	HangAfter   Mode = "never answers but is done"
	Crash       Mode = "is cut off before it"
	CrashAfter  Mode = "is cut off after it"
	Pretend     Mode = "reports success but is not done"
	Meddle      Mode = "fails, and somebody mounts the drives meanwhile"
	FailForever Mode = "fails, as does everything after it"
)

// Modes lists all modes but None.
var Modes = []Mode{Fail, FailAfter, Hang, HangAfter, Crash, CrashAfter, Pretend, Meddle, FailForever}

// ErrInjected is the failure that a fault reports.
var ErrInjected = errors.New("failure made for this rehearsal")

// Cut is the panic of a cut-off; it stands for the end of the process.
type Cut struct{ Call string }

// Fault goes wrong at call number At, counted from 0.
type Fault struct {
	Mode Mode
	At   int
	// Meddler does what somebody else does in mode Meddle.
	Meddler func()

	calls []Call
}

// Call is one call that was made.
type Call struct {
	Label   string
	Deed    bool // it changes something; otherwise it only reads
	Journal bool // what it changes is the journal, not the host
}

// Calls gives the calls made so far.
func (f *Fault) Calls() []Call { return f.calls }

// Met tells whether the fault has happened.
func (f *Fault) Met() bool { return f.Mode != None && len(f.calls) > f.At }

func (f *Fault) call(c Call, do func() error) error {
	label := c.Label
	n := len(f.calls)
	f.calls = append(f.calls, c)
	if f.Mode == None || n < f.At || n > f.At && f.Mode != FailForever {
		return do()
	}
	switch f.Mode {
	case Fail, FailForever:
		return fmt.Errorf("%s: %w", label, ErrInjected)
	case Hang:
		return fmt.Errorf("%s: no answer: %w", label, context.DeadlineExceeded)
	case Pretend:
		return nil
	case Meddle:
		f.Meddler()
		return fmt.Errorf("%s: %w", label, ErrInjected)
	case Crash:
		panic(Cut{label})
	}
	err := do()
	switch {
	case f.Mode == CrashAfter:
		panic(Cut{label})
	case err != nil:
		return err
	case f.Mode == HangAfter:
		return fmt.Errorf("%s: no answer: %w", label, context.DeadlineExceeded)
	default:
		return fmt.Errorf("%s: %w", label, ErrInjected)
	}
}

// Wrap gives ports that go wrong as the fault says.
func (f *Fault) Wrap(p step.Ports) step.Ports {
	w := ports{p, f}
	return step.Ports{Survey: w, Guests: w, Mounts: w, Functions: w, Rungs: w, Stores: w, Guard: w, Watch: w, ROMs: w, Drives: w, Person: w}
}

type ports struct {
	inner step.Ports
	fault *Fault
}

func (p ports) Survey(ctx context.Context) (survey facts.Survey, err error) {
	err = p.fault.call(Call{Label: "read the host"}, func() (err error) {
		survey, err = p.inner.Survey.Survey(ctx)
		return err
	})
	return survey, err
}

func (p ports) Define(ctx context.Context, xml string) error {
	return p.fault.call(Call{Label: "define guest", Deed: true}, func() error { return p.inner.Guests.Define(ctx, xml) })
}

func (p ports) Undefine(ctx context.Context, name string) error {
	return p.fault.call(Call{Label: "undefine " + name, Deed: true}, func() error { return p.inner.Guests.Undefine(ctx, name) })
}

func (p ports) Autostart(ctx context.Context, name string, on bool) error {
	return p.fault.call(Call{Label: "set autostart of " + name, Deed: true}, func() error { return p.inner.Guests.Autostart(ctx, name, on) })
}

func (p ports) Start(ctx context.Context, name string) error {
	return p.fault.call(Call{Label: "start " + name, Deed: true}, func() error { return p.inner.Guests.Start(ctx, name) })
}

func (p ports) Stop(ctx context.Context, name string, within time.Duration) error {
	return p.fault.call(Call{Label: "stop " + name, Deed: true}, func() error { return p.inner.Guests.Stop(ctx, name, within) })
}

func (p ports) Mount(ctx context.Context, device, kind, path string, options []string) error {
	return p.fault.call(Call{Label: "mount " + path, Deed: true}, func() error { return p.inner.Mounts.Mount(ctx, device, kind, path, options) })
}

func (p ports) Unmount(ctx context.Context, path string) error {
	return p.fault.call(Call{Label: "unmount " + path, Deed: true}, func() error { return p.inner.Mounts.Unmount(ctx, path) })
}

func (p ports) ToVFIO(ctx context.Context, at facts.Address) error {
	return p.fault.call(Call{Label: "bind " + at.String() + " to VFIO", Deed: true}, func() error { return p.inner.Functions.ToVFIO(ctx, at) })
}

func (p ports) ToHost(ctx context.Context, at facts.Address) error {
	return p.fault.call(Call{Label: "bind " + at.String() + " to the host's driver", Deed: true}, func() error { return p.inner.Functions.ToHost(ctx, at) })
}

func (p ports) Probe(ctx context.Context, at facts.Address) error {
	return p.fault.call(Call{Label: "probe " + at.String(), Deed: true}, func() error { return p.inner.Rungs.Probe(ctx, at) })
}

func (p ports) Rebind(ctx context.Context, at facts.Address) error {
	return p.fault.call(Call{Label: "rebind " + at.String(), Deed: true}, func() error { return p.inner.Rungs.Rebind(ctx, at) })
}

func (p ports) Reset(ctx context.Context, at facts.Address) error {
	return p.fault.call(Call{Label: "reset " + at.String(), Deed: true}, func() error { return p.inner.Rungs.Reset(ctx, at) })
}

func (p ports) Rescan(ctx context.Context, at facts.Address) error {
	return p.fault.call(Call{Label: "rescan " + at.String(), Deed: true}, func() error { return p.inner.Rungs.Rescan(ctx, at) })
}

func (p ports) Install(ctx context.Context, files facts.GuardFiles) error {
	return p.fault.call(Call{Label: "install guard", Deed: true}, func() error { return p.inner.Guard.Install(ctx, files) })
}

func (p ports) InstallWatch(ctx context.Context, files facts.WatchFiles) error {
	return p.fault.call(Call{Label: "install watch", Deed: true}, func() error { return p.inner.Watch.InstallWatch(ctx, files) })
}

func (p ports) PlaceShim(ctx context.Context, shim facts.Shim, donor, donorSum string) error {
	return p.fault.call(Call{Label: "place shim disk", Deed: true}, func() error { return p.inner.ROMs.PlaceShim(ctx, shim, donor, donorSum) })
}

func (p ports) RemoveShim(ctx context.Context, path string) error {
	return p.fault.call(Call{Label: "remove shim disk", Deed: true}, func() error { return p.inner.ROMs.RemoveShim(ctx, path) })
}

func (p ports) PutEntry(ctx context.Context, store, sum string, entry facts.NewEntry) error {
	return p.fault.call(Call{Label: "write boot entry", Deed: true}, func() error { return p.inner.Stores.PutEntry(ctx, store, sum, entry) })
}

func (p ports) Restore(ctx context.Context, store, sum string) error {
	return p.fault.call(Call{Label: "restore firmware variables", Deed: true}, func() error { return p.inner.Stores.Restore(ctx, store, sum) })
}

func (p ports) PlaceROM(ctx context.Context, rom facts.ROM, donor, donorSum string) error {
	return p.fault.call(Call{Label: "place option ROM", Deed: true}, func() error { return p.inner.ROMs.PlaceROM(ctx, rom, donor, donorSum) })
}

func (p ports) RemoveROM(ctx context.Context, path string) error {
	return p.fault.call(Call{Label: "remove option ROM", Deed: true}, func() error { return p.inner.ROMs.RemoveROM(ctx, path) })
}

func (p ports) Clear(ctx context.Context, d facts.Drive, keep string) error {
	return p.fault.call(Call{Label: "clear drive", Deed: true}, func() error { return p.inner.Drives.Clear(ctx, d, keep) })
}

func (p ports) PutBack(ctx context.Context, d facts.Drive, keep string) error {
	return p.fault.call(Call{Label: "put ends of drive back", Deed: true}, func() error { return p.inner.Drives.PutBack(ctx, d, keep) })
}

func (p ports) Copy(ctx context.Context, from facts.Source, d facts.Drive, keep string) error {
	return p.fault.call(Call{Label: "copy system", Deed: true}, func() error { return p.inner.Drives.Copy(ctx, from, d, keep) })
}

func (p ports) Empty(ctx context.Context, d facts.Drive, bytes uint64, keep string) error {
	return p.fault.call(Call{Label: "empty drive", Deed: true}, func() error { return p.inner.Drives.Empty(ctx, d, bytes, keep) })
}

func (p ports) WriteTable(ctx context.Context, d facts.Drive, before, after *facts.Table, keep string) error {
	return p.fault.call(Call{Label: "write partition table", Deed: true}, func() error { return p.inner.Drives.WriteTable(ctx, d, before, after, keep) })
}

func (p ports) MakeFilesystem(ctx context.Context, d facts.Drive, on facts.Entry, made facts.NewFilesystem, over bool) error {
	return p.fault.call(Call{Label: "make filesystem", Deed: true}, func() error { return p.inner.Drives.MakeFilesystem(ctx, d, on, made, over) })
}

func (p ports) ClearFilesystem(ctx context.Context, d facts.Drive, on facts.Entry, made facts.NewFilesystem) error {
	return p.fault.call(Call{Label: "clear filesystem", Deed: true}, func() error { return p.inner.Drives.ClearFilesystem(ctx, d, on, made) })
}

func (p ports) Confirm(ctx context.Context, s *step.ByHand) error {
	return p.fault.call(Call{Label: "confirm by hand", Deed: true}, func() error { return p.inner.Person.Confirm(ctx, s) })
}

func (p ports) Forget(ctx context.Context, s *step.ByHand) error {
	return p.fault.call(Call{Label: "forget confirmation", Deed: true}, func() error { return p.inner.Person.Forget(ctx, s) })
}
