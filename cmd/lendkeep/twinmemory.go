package main

import (
	"context"
	"slices"

	"github.com/rs/zerolog"

	"lendkeep/providers/memory"
	anew "lendkeep/reconcile/again"
	"lendkeep/reconcile/carry"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/fault"
	"lendkeep/reconcile/rehearse"
)

// standing is a host in memory that goes on after an order.
type standing interface {
	rehearse.Host
	StartByHand(ctx context.Context, guest string) error
	EndByHand(guest string) error
	Unplug(at facts.Address)
	PowerCutWithout(cards ...facts.Address)
	Boots(mounts []facts.Mount)
}

// inMemory carries the order that was planned out on a host in memory like the twin.
func (t *trial) inMemory(ctx context.Context, make func(carry.Carrier) *carry.Carrier) error {
	keeping := func(survey facts.Survey, judge rehearse.Judge) rehearse.Host {
		host := memory.Rehearse(survey, judge)
		t.memory = host.(standing) // what it embeds
		t.memory.Boots(anew.BootMounts(t.made, t.before))
		return host
	}
	t.records = nil
	r := rehearse.Rehearsal{Host: keeping, Sealed: t.planned, Survey: *t.before.Survey, Judge: t.asked(ctx), Make: make, Pick: func(int, fault.Mode) bool { return false }}
	report, err := r.Run(ctx)
	if err != nil {
		return err
	}
	if !report.Through.Good {
		t.differs("in memory the twin's order is not carried out: %s", report.Through.Why)
		return errDiffers
	}
	return nil
}

// asked gives a judge for the next host in memory: that of the last one knows its guests.
func (t *trial) asked(ctx context.Context) (judge memory.Judge) {
	t.close()
	if t.memory != nil {
		ctx = zerolog.Nop().WithContext(ctx) // where there is no libvirt, the first has said so
	}
	judge, t.dismiss = openJudge(ctx)
	return judge
}

func (t *trial) close() {
	if t.dismiss != nil {
		t.dismiss()
	}
	t.dismiss = nil
}

// recorded keeps what the carrier in memory writes into its journal, for its rollback.
func (t *trial) recorded(c carry.Carrier) *carry.Carrier {
	t.carrier = c
	c.Journal = &t.records
	return &c
}

// records is a journal in memory.
type records [][]byte

// Append implements carry.Journal.
func (r *records) Append(record []byte) error {
	*r = append(*r, slices.Clone(record))
	return nil
}
