package step_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/invented"
	"lendkeep/reconcile/step"
)

// What a drive must hold before a table is written, and how it then stands.
func TestWhatATableIsWrittenOver(t *testing.T) {
	b := invented.NewBuilder()
	at := b.NVMe("RL-4410-0073", "start")
	whole := *b.Look("nvme0n1").Table
	after := whole
	after.ID = "2fc63daf-8483-4772-8e79-3d69d8477de4"
	drbd := &facts.Signature{Kind: "drbd", Usage: "raid"}
	for name, c := range map[string]struct {
		holds  facts.Content
		before *facts.Table
		erased bool
		refuse string // by Ready
		stands step.Standing
	}{
		"blank":                      {facts.Content{Blank: true}, nil, false, "", step.Before},
		"bare":                       {facts.Content{EndsZero: true}, nil, false, "not blank", step.Before},
		"bare, erased by the order":  {facts.Content{EndsZero: true}, nil, true, "", step.Before},
		"unknown bytes, erased":      {facts.Content{}, nil, true, "not blank", step.Neither},
		"a filesystem, erased":       {facts.Content{EndsZero: true, Signature: drbd}, nil, true, "not blank", step.Neither},
		"the table before":           {facts.Content{Table: &whole}, &whole, false, "", step.Before},
		"in a member":                {facts.Content{Table: &whole, Signature: drbd}, &whole, false, "drbd as a whole", step.Neither},
		"in a member, erased":        {facts.Content{Table: &whole, Signature: drbd}, &whole, true, "drbd as a whole", step.Neither},
		"not known":                  {facts.Content{Blank: true, Gaps: []facts.Gap{{Fact: "signature", Reason: "blkid is not here"}}}, nil, false, "blkid is not here", step.Neither},
		"the new table, on a member": {facts.Content{Table: &after, Signature: drbd}, nil, false, "drbd as a whole", step.Neither},
		"a copy that has not ended":  {facts.Content{Unfinished: "k"}, nil, true, "not blank", step.Neither},
		"another table in its place": {facts.Content{Table: &after}, &whole, false, "", step.Neither},
	} {
		t.Run(name, func(t *testing.T) {
			c.holds.Of = "nvme0n1"
			b.Survey.Contents = []facts.Content{c.holds}
			survey := b.Survey.Answered()
			ix := facts.NewIndex(&survey)
			drive := facts.Drive{Controller: "reel", Serial: "RL-4410-0073", Namespace: 1, SizeBytes: 2 << 30, SectorBytes: 512}
			s := &step.WriteTable{Target: step.Target{Controller: b.Identity("reel", at), Drive: drive, Keep: "k"}, Before: c.before, After: after, Erased: c.erased}
			err := s.Ready(ix)
			if c.refuse == "" {
				require.NoError(t, err)
			} else {
				require.ErrorContains(t, err, c.refuse)
			}
			if name == "another table in its place" {
				s.After.ID = "another"
			}
			stands, seen := s.Stands(ix)
			assert.Equal(t, c.stands, stands, seen)
		})
	}
}

// Nobody approves the erasure of something else than they were shown.
func TestErasesWhatWasShown(t *testing.T) {
	b := invented.NewBuilder()
	at := b.NVMe("RL-4410-0073", "start")
	holds := *b.Look("nvme0n1")
	survey := b.Survey.Answered()
	s := &step.ClearDrive{Target: step.Target{Controller: b.Identity("reel", at),
		Drive: facts.Drive{Controller: "reel", Serial: "RL-4410-0073", Namespace: 1, SizeBytes: 2 << 30, SectorBytes: 512}, Keep: "k"}, Table: holds.Table.ID, Holds: holds.Describe()}
	require.NoError(t, s.Ready(facts.NewIndex(&survey)))
	s.Holds = "nothing of worth"
	assert.ErrorContains(t, s.Ready(facts.NewIndex(&survey)), "not nothing of worth as the order says")
}
