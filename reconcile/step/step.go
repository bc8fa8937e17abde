// Package step holds the kinds of step that an order can have, one file each.
// A step is a value: it says what it is (About), does one deed through the
// small interfaces of Ports, and tells from a survey whether the host stands
// before or after it. Start at Step; a new kind is one file and one line in
// kinds.
package step

import (
	"context"
	"encoding/json"
	"fmt"
	"reflect"
	"time"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/guard"
	"lendkeep/reconcile/strict"
	"lendkeep/spec"
)

// Standing says where a host stands with regard to one step.
type Standing int

// A host stands before a step, after it, or at neither: partly done, or
// changed by somebody else.
const (
	Neither Standing = iota
	Before
	After
)

// Risk is the worst that a step means for the people who use the host.
type Risk string

// The risks, mildest first.
const (
	Safe   Risk = "safe"
	Starts Risk = "starts a guest"
	Stops  Risk = "shuts down a guest"
	Erases Risk = "erases a drive"
)

// Step is one thing that an order does. All methods but Do and Undo are pure.
type Step interface {
	// About says what the step is; that of an empty step has its Kind.
	About() About
	// Ready says why the step must not be done on this host now; nil when
	// nothing speaks against it. It is asked right before the deed.
	Ready(*facts.Index) error
	// MayUndo says why the step must not be undone on this host now: undoing
	// long after the deed may meet a host that has moved on.
	MayUndo(*facts.Index) error
	// Stands says where the host stands, and what that was read from.
	Stands(*facts.Index) (Standing, string)
	// Do does it. A nil error is not believed: Stands decides.
	Do(context.Context, Ports) error
	// Undo undoes it, from any standing but Before.
	Undo(context.Context, Ports) error
}

// About is what a step says of itself.
type About struct {
	Kind   string        // the name of the kind, as written in orders
	Does   string        // what happens, for people: a verb phrase of one line
	Undoes string        // how it is undone; empty when there is nothing to undo
	Risk   Risk          // what it means for those who use the host
	Takes  time.Duration // how long the deed takes, estimated
	Within time.Duration // how long after the deed its effect may take to be seen
	// Waits is how long the deed or its undo itself waits at most for what it asked for;
	// zero: neither does.
	Waits time.Duration
	// Longest is set where the length cannot be told beforehand: such a step may
	// be interrupted at any moment, and counts as stuck only after this time.
	Longest time.Duration
	// Covered is set where undoing an earlier step of the same order undoes this one,
	// too: then nothing is done for it alone.
	Covered bool
	// MayStay is set where what the step did harms nothing: where it cannot be undone a
	// rollback leaves it, says so, and goes on.
	MayStay bool
	// Loses are functions that undoing does not give back as they were: Undoes says what
	// is lost.
	Loses []facts.Address
	// Needs and Gives are what the sequence of an order is computed from.
	Needs, Gives []Condition
	// Erases is the serial of a drive on which the step destroys what is there,
	// UndoErases of one on which its undo does so; empty where there is none.
	Erases, UndoErases string
	// Recovers is a controller for which the ladder is climbed (guard.Ladder) while
	// the host does not come to stand where it should; nil for none.
	Recovers *facts.Identity
}

// Ports is everything a step can act through.
type Ports struct {
	Survey    Surveyor
	Guests    Guests
	Mounts    Mounts
	Functions Functions
	Recovery  guard.Recovery
	Stores    Stores
	Guard     GuardInstaller
	Watch     WatchInstaller
	BootAids  BootAids
	Drives    Drives
	Starters  Starters
	Images    Images
	Pages     Pages
	Virtuals  Virtuals
	Person    Person
}

// Surveyor reads the facts of a host.
type Surveyor interface {
	Survey(context.Context) (facts.Survey, error)
}

// Guests changes what libvirt knows and runs.
type Guests interface {
	// Define sets the kept definition.
	Define(ctx context.Context, xml string) error
	// Undefine removes the kept definition; images and NVRAM stay.
	Undefine(ctx context.Context, name string) error
	// Autostart says whether the guest starts with the host.
	Autostart(ctx context.Context, name string, on bool) error
	Start(ctx context.Context, name string) error
	// Stop asks the guest to shut down and waits; it never cuts it off.
	Stop(ctx context.Context, name string, within time.Duration) error
}

// Mounts mounts and unmounts filesystems on the host.
type Mounts interface {
	Mount(ctx context.Context, device, kind, path string, options []string) error
	Unmount(ctx context.Context, path string) error
}

// Functions binds PCI functions, by their address (BDF), to drivers: vfio-pci for
// passthrough, or the host's own.
type Functions interface {
	ToVFIO(context.Context, facts.Address) error
	// ToHost gives a function to the driver that the kernel finds for it, or to the one
	// that override names alone (driver_override); empty: any may take it.
	ToHost(ctx context.Context, at facts.Address, override string) error
}

// GuardInstaller installs the guard of starts.
type GuardInstaller interface {
	// Install makes the guard's files have exactly this content; empty content
	// is no file. The hook is never there without its rules.
	Install(ctx context.Context, files facts.GuardFiles) error
}

// WatchInstaller installs the service that watches lends.
type WatchInstaller interface {
	// InstallWatch makes the service have exactly this unit and starts or ends
	// it; an empty unit is none.
	InstallWatch(ctx context.Context, files facts.WatchFiles) error
}

// Stores writes the variable stores of guests that are off.
type Stores interface {
	// PutEntry makes an entry the first of a store that has that sha256, and
	// keeps what the store was.
	PutEntry(ctx context.Context, store, sum string, entry facts.NewEntry) error
	// Restore gives a store back what was kept under that sha256.
	Restore(ctx context.Context, store, sum string) error
}

// Drives writes whole drives. Each method finds the drive by what it is, opens
// it for itself alone, looks again whether it is the one, and returns once
// everything is on the drive and the kernel has read its table anew. keep names
// what an order keeps beside its journal; the same name means the same thing.
type Drives interface {
	// Clear makes both ends of a drive zeroes, once they are kept.
	Clear(ctx context.Context, d facts.Drive, keep string) error
	// PutBack writes kept ends back; where none were kept nothing was cleared.
	PutBack(ctx context.Context, d facts.Drive, keep string) error
	// Copy copies an image to the start of a drive and reads it back. The
	// beginning of the drive, with its table, is written last, so that a table
	// is seen only on a whole copy. Called again, it goes on where it was.
	Copy(ctx context.Context, from facts.Source, d facts.Drive, keep string) error
	// Empty makes the first bytes of a drive, as many as a copy may have
	// written, and its last MiB read as zeroes.
	Empty(ctx context.Context, d facts.Drive, bytes uint64, keep string) error
	// WriteTable turns one GPT into another; nil is none. It refuses a drive
	// that holds neither, whole or partly written.
	WriteTable(ctx context.Context, d facts.Drive, before, after *facts.Table, keep string) error
	// MakeFilesystem makes one on a partition; over says that something else
	// there may be written over.
	MakeFilesystem(ctx context.Context, d facts.Drive, on facts.Entry, made facts.NewFilesystem, over bool) error
	// ClearFilesystem takes the signature of a filesystem with that UUID away.
	ClearFilesystem(ctx context.Context, d facts.Drive, on facts.Entry, made facts.NewFilesystem) error
}

// Starters changes how an installed system on a drive starts. The drive is found
// and opened as Drives does it.
type Starters interface {
	// StartAtBoot lets the NVMe driver of the installed Windows start at boot: a
	// few bytes of its registry are written in place, found again and read back.
	// What stood there is kept first.
	StartAtBoot(ctx context.Context, d facts.Drive, keep string) error
	// UndoStartAtBoot puts back what was kept; where nothing was, nothing was
	// changed.
	UndoStartAtBoot(ctx context.Context, d facts.Drive, keep string) error
}

// Person is whoever carries the order out.
type Person interface {
	// Confirm asks whether a step by hand is done, and keeps a yes; anything
	// else is an error.
	Confirm(context.Context, *ByHand) error
	// Forget forgets a yes.
	Forget(context.Context, *ByHand) error
}

// Detailed is a step that has more to say than one line. What it says is derived
// from what it does.
type Detailed interface{ Details() []Detail }

// Detail is one line about a step under a heading of one word.
type Detail struct{ Head, Text string }

func details(head string, lines []string) []Detail {
	list := make([]Detail, 0, len(lines))
	for _, line := range lines {
		list = append(list, Detail{head, line})
	}
	return list
}

// Checked is a step of which not every value can be done.
type Checked interface {
	// Sound says why it cannot; an order that holds it is refused.
	Sound() error
}

// Hides tells whether a later step takes away what an earlier one needs, so that
// the earlier one's effect may no longer be seen: a drive that is lent.
func Hides(later, earlier About) bool { return contrary(later.Gives, earlier.Needs) }

// Supersedes tells whether a later step gives a contrary value to something that
// an earlier one gave: a guest stopped, then started again.
func Supersedes(later, earlier About) bool { return contrary(later.Gives, earlier.Gives) }

// Written is a step as an order holds it: what it is and why it is there.
type Written struct {
	Step Step
	Why  spec.Place
}

// kinds lists every kind of step by the name that it says.
var kinds = byName(
	&InstallGuard{}, &InstallWatch{}, &PlaceROM{}, &PlaceShim{}, &WriteEntry{},
	&StopGuest{}, &StartGuest{}, &DefineGuest{}, &RetireGuest{},
	&Mount{}, &Unmount{}, &TakeBack{}, &SetAside{},
	&ByHand{}, &ClearDrive{}, &CopySystem{}, &StartAtBoot{}, &WriteTable{}, &MakeFilesystem{}, &CopyBack{}, &KeepPages{}, &MakeVirtual{},
)

func byName(list ...Step) map[string]reflect.Type {
	named := map[string]reflect.Type{}
	for _, s := range list {
		named[s.About().Kind] = reflect.TypeOf(s).Elem()
	}
	return named
}

type envelope struct {
	Kind string          `json:"kind"`
	Why  spec.Place      `json:"why"`
	Step json.RawMessage `json:"step"`
}

// MarshalJSON writes the step under the name of its kind.
func (w Written) MarshalJSON() ([]byte, error) {
	kind := w.Step.About().Kind
	body, err := json.Marshal(w.Step)
	if err != nil {
		return nil, fmt.Errorf("write step %s: %w", kind, err)
	}
	return json.Marshal(envelope{kind, w.Why, body})
}

// UnmarshalJSON reads a step strictly: an unknown kind or field is an error.
func (w *Written) UnmarshalJSON(content []byte) error {
	var e envelope
	if err := strict.ReadInner(content, &e); err != nil {
		return fmt.Errorf("read step: %w", err)
	}
	kind, known := kinds[e.Kind]
	if !known {
		return fmt.Errorf("read step: this lendkeep knows no kind %q", e.Kind)
	}
	w.Step, w.Why = reflect.New(kind).Interface().(Step), e.Why
	if err := strict.ReadInner(e.Step, w.Step); err != nil {
		return fmt.Errorf("read step %s: %w", e.Kind, err)
	}
	if checked, ok := w.Step.(Checked); ok {
		if err := checked.Sound(); err != nil {
			return fmt.Errorf("read step %s: %w", e.Kind, err)
		}
	}
	return nil
}
