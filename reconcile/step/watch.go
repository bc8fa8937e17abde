package step

import (
	"context"
	"fmt"
	"time"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/watch"
)

const (
	watchTakes  = 3 * time.Second
	watchWithin = 10 * time.Second
)

// InstallWatch installs, renews or removes the service that watches lends. Its
// unit is this lendkeep's own; Before is what was found, as with InstallGuard.
type InstallWatch struct {
	Before facts.WatchFiles `json:"before"`
	After  bool             `json:"after"` // whether the service is there
	// Guarded says that this order installs the rules that it reads.
	Guarded bool `json:"guarded,omitempty"`
}

// Files are what is installed; empty is absent.
func (s *InstallWatch) Files() facts.WatchFiles {
	if !s.After {
		return facts.WatchFiles{}
	}
	return facts.WatchFiles{Unit: watch.Unit, Enabled: true}
}

func (s *InstallWatch) About() About {
	a := About{Kind: "install watch", Risk: Safe, Takes: watchTakes, Within: watchWithin,
		Does: "renew the service that watches lends", Undoes: "give the service its old unit back", Gives: []Condition{watchIs("in force")}}
	if s.Before.Unit == "" {
		a.Does = "install the service that watches lends, and start it"
	}
	if !s.After {
		a.Does, a.Undoes, a.Gives = "remove the service that watches lends", "install the service again as it was", []Condition{watchIs("absent")}
	}
	if s.Before.Unit == "" {
		a.Undoes = "remove the service again"
	}
	if s.Guarded {
		a.Needs = []Condition{guardIs("in force")}
	}
	return a
}

func (s *InstallWatch) Ready(ix *facts.Index) error {
	now := ix.Survey.Watch
	switch {
	case !now.Systemd:
		return fmt.Errorf("install watch: systemd does not run this host")
	case s.After && !now.Program:
		return fmt.Errorf("install watch: its program is not at %s", facts.WatchProgram)
	}
	return nil
}

func (s *InstallWatch) MayUndo(*facts.Index) error { return nil }

// Stands implements Step. Whether the service runs is not the step's matter:
// it may end and begin again by itself.
func (s *InstallWatch) Stands(ix *facts.Index) (Standing, string) {
	now := ix.Survey.Watch
	switch {
	case !now.Known():
		return Neither, "the service could not be read: " + now.Gaps[0].Path + ": " + now.Gaps[0].Reason
	case now.WatchFiles == s.Files():
		return After, "the service is as planned"
	case now.WatchFiles == s.Before:
		return Before, "the service is as it was"
	default:
		return Neither, "the service is neither as it was nor as planned"
	}
}

func (s *InstallWatch) Do(ctx context.Context, p Ports) error {
	return p.Watch.InstallWatch(ctx, s.Files())
}

func (s *InstallWatch) Undo(ctx context.Context, p Ports) error {
	return p.Watch.InstallWatch(ctx, s.Before)
}
