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

func (s *InstallGuard) About() About {
	a := About{Kind: "install guard", Risk: Safe, Takes: guardTakes, Within: guardWithin,
		Does: "renew the guard of every start", Undoes: "give the guard its old rules back", Gives: []Condition{guardIs("in force")}}
	if s.Before.Hook == "" {
		a.Does = "install the guard of every start"
	}
	if s.After == nil {
		a.Does, a.Undoes, a.Gives = "remove the guard of starts", "install the guard again as it was", []Condition{guardIs("absent")}
	}
	if (s.Before == facts.GuardFiles{}) {
		a.Undoes = "remove the guard again"
	}
	return a
}

// Ready refuses to have libvirt call a program that is not there: then no
// guest that borrows anything would start.
func (s *InstallGuard) Ready(ix *facts.Index) error {
	if s.After != nil && !ix.Survey.Guard.Program {
		return fmt.Errorf("install guard: its program is not at %s", facts.GuardProgram)
	}
	return nil
}

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

func (s *InstallGuard) Do(ctx context.Context, p Ports) error {
	return p.Guard.Install(ctx, s.Files())
}

func (s *InstallGuard) Undo(ctx context.Context, p Ports) error {
	return p.Guard.Install(ctx, s.Before)
}
