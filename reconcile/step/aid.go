package step

import (
	"context"
	"fmt"
	"time"

	"lendkeep/reconcile/facts"
)

const (
	aidTakes  = 2 * time.Second // a donor is unpacked once
	aidWithin = 5 * time.Second
)

// BootAids places what guests need to start from lent drives.
type BootAids interface {
	// PlaceAid builds one from the parts of a donor with that sha256 and puts it
	// at its path; another file there is left alone.
	PlaceAid(ctx context.Context, aid facts.Aid, donor, donorSum string) error
	// RemoveAid removes one that lendkeep built.
	RemoveAid(ctx context.Context, aid facts.Aid) error
}

// Placer is a step that places a boot aid.
type Placer interface {
	Step
	Places() facts.Aid
}

// placing is what the steps for both kinds of boot aid have in common.
type placing struct {
	aid        facts.Aid
	is         func(path, value string) Condition
	controller string
	donor, sum string
}

func (p placing) about(kind string) About {
	return About{Kind: kind, Risk: Safe, Takes: aidTakes, Within: aidWithin,
		Does:   "build the " + p.aid.Title() + " of " + p.controller + " from " + p.donor + ", as " + p.aid.At(),
		Undoes: "remove " + p.aid.At(),
		Needs:  []Condition{p.is(p.aid.At(), "absent"), firmwareIs(p.donor, "as planned")},
		Gives:  []Condition{p.is(p.aid.At(), "in place")}}
}

// ready refuses another donor than the order was approved with.
func (p placing) ready(ix *facts.Index) error {
	if donor := ix.Image(p.donor); donor == nil || donor.SHA256 != p.sum {
		return fmt.Errorf("build %s: %s is not the donor that the order was written for; plan again", p.aid.Title(), p.donor)
	}
	return nil
}

// mayUndo refuses to remove what a guest's definition names.
func (p placing) mayUndo(ix *facts.Index) error {
	for i := range ix.Survey.Libvirt.Guests {
		g := &ix.Survey.Libvirt.Guests[i]
		for _, d := range g.Definitions() {
			if p.aid.NeededBy(d) {
				return fmt.Errorf("remove %s: guest %s has it in its definition", p.aid.At(), g.Name)
			}
		}
	}
	return nil
}

func (p placing) stands(ix *facts.Index) (Standing, string) {
	there, same, gap := p.aid.Lies(ix)
	switch {
	case gap != "":
		return Neither, gap
	case !there:
		return Before, "nothing is at " + p.aid.At()
	case same:
		return After, p.aid.At() + " is the " + p.aid.Title() + " that was planned"
	default:
		return Neither, p.aid.At() + " is another file than was planned"
	}
}
