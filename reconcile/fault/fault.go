// Package fault has one chosen call fail, hang or be cut off: of those that go to
// a host in memory, and of those to the disk under a journal. Count the calls of a
// run without a fault, then run again with a fault at each. Start at Fault.
package fault

import (
	"context"
	"errors"
	"fmt"
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

// Host is what the calls of a host go through: a label that names the call, whether
// it changes something, and what does it.
func (f *Fault) Host(label string, changes bool, do func() error) error {
	return f.call(Call{Label: label, Deed: changes}, do)
}

func (f *Fault) call(c Call, do func() error) error {
	n := len(f.calls)
	f.calls = append(f.calls, c)
	if f.Mode == None || n < f.At || n > f.At && f.Mode != FailForever {
		return do()
	}
	switch f.Mode {
	case Fail, FailForever:
		return fmt.Errorf("%s: %w", c.Label, ErrInjected)
	case Hang:
		return fmt.Errorf("%s: no answer: %w", c.Label, context.DeadlineExceeded)
	case Pretend:
		return nil
	case Meddle:
		f.Meddler()
		return fmt.Errorf("%s: %w", c.Label, ErrInjected)
	case Crash:
		panic(Cut{c.Label})
	}
	err := do()
	switch {
	case f.Mode == CrashAfter:
		panic(Cut{c.Label})
	case err != nil:
		return err
	case f.Mode == HangAfter:
		return fmt.Errorf("%s: no answer: %w", c.Label, context.DeadlineExceeded)
	default:
		return fmt.Errorf("%s: %w", c.Label, ErrInjected)
	}
}
