package step

import (
	"context"
	"fmt"
	"time"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/guard"
)

const (
	guardTakes  = time.Second
	guardWithin = 5 * time.Second
)

// InstallGuard installs, renews or removes the guard: the hook that libvirt
// calls at every start, the rules that it goes by, and those by which udev
// leaves guests' volumes alone. The order holds the rules; what is installed is
// derived from them when it is. Before is what was found, which must still be
// there, so that it is nothing but what an undo gives back.
type InstallGuard struct {
	Before facts.GuardFiles `json:"before"` // empty: absent
	After  *guard.Rules     `json:"after"`  // nil: none
}

// Files are what is installed; empty is absent.
func (s *InstallGuard) Files() facts.GuardFiles {
	if s.After == nil {
		return facts.GuardFiles{}
	}
	return s.After.Files()
}

// Sound refuses rules that the guard itself would not read.
func (s *InstallGuard) Sound() error {
	if s.After == nil {
		return nil
	}
	_, err := guard.Decode(s.After.Encode())
	return err
}

// Details tells what the rules say.
func (s *InstallGuard) Details() []Detail {
	if s.After == nil {
		return nil
	}
	return details("rule", s.After.Sentences())
}

// Kind implements Step, as do the methods below.
func (s *InstallGuard) Kind() string { return "install guard" }

// Does implements Step.
func (s *InstallGuard) Does() string {
	switch {
	case s.After == nil:
		return "remove the guard of starts"
	case s.Before.Hook == "":
		return "install the guard of every start"
	default:
		return "renew the guard of every start"
	}
}

// Undoes implements Step.
func (s *InstallGuard) Undoes() string {
	switch {
	case s.Before == facts.GuardFiles{}:
		return "remove the guard again"
	case s.After == nil:
		return "install the guard again as it was"
	default:
		return "give the guard its old rules back"
	}
}

// Risk implements Step.
func (s *InstallGuard) Risk() Risk { return Safe }

// Takes implements Step.
func (s *InstallGuard) Takes() time.Duration { return guardTakes }

// Within implements Step.
func (s *InstallGuard) Within() time.Duration { return guardWithin }

// Needs implements Step.
func (s *InstallGuard) Needs() []Fact { return nil }

// Gives implements Step.
func (s *InstallGuard) Gives() []Fact {
	if s.After == nil {
		return []Fact{guardIs("absent")}
	}
	return []Fact{guardIs("in force")}
}

// Ready refuses to have libvirt call a program that is not there: then no
// guest that borrows anything would start.
func (s *InstallGuard) Ready(ix *facts.Index) error {
	if s.After != nil && !ix.Survey.Guard.Program {
		return fmt.Errorf("install guard: its program is not at %s", facts.GuardProgram)
	}
	return nil
}

// MayUndo implements Step.
func (s *InstallGuard) MayUndo(*facts.Index) error { return nil }

// Stands implements Step. Some of the files alone are neither.
func (s *InstallGuard) Stands(ix *facts.Index) (Standing, string) {
	now := ix.Survey.Guard
	switch {
	case !now.Known():
		return Neither, "the guard could not be read: " + now.Gaps[0].Path + ": " + now.Gaps[0].Reason
	case now.GuardFiles == s.Files():
		return After, "hook and rules are as planned"
	case now.GuardFiles == s.Before:
		return Before, "hook and rules are as they were"
	default:
		return Neither, "hook and rules are neither as they were nor as planned"
	}
}

// Do implements Step.
func (s *InstallGuard) Do(ctx context.Context, p Ports) error {
	return p.Guard.Install(ctx, s.Files())
}

// Undo implements Step.
func (s *InstallGuard) Undo(ctx context.Context, p Ports) error {
	return p.Guard.Install(ctx, s.Before)
}

func guardIs(value string) Fact { return Fact{"guard", value} }
