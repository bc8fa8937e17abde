package order_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/invented"
	"lendkeep/reconcile/step"
	"lendkeep/spec"
)

const backImage = "/srv/images/back.qcow2"

// givenUp is larch at night, whose guest grading gets its system back from the drive
// of reel, on which the shelf stays mounted.
func givenUp() (*invented.Builder, *spec.Layout) {
	b, l := larch()
	b.Look("nvme0n1")
	b.Room(backImage, 1<<40)
	l.Guests[0] = invented.Guest("grading")
	l.Guests[0].Disks = []spec.Disk{invented.Back("reel", backImage)}
	return b, l
}

func TestGivingUp(t *testing.T) {
	b, l := givenUp()
	o := plan(t, b, l, "day")
	list := does(o)
	copies := "copy the system on the drive of reel (RL-4410-0073) to the new image /srv/images/back.qcow2 and read it back"
	require.Contains(t, list, copies)
	assert.Contains(t, list, "start guest grading")
	at := func(what string) int {
		for i, does := range list {
			if does == what {
				return i
			}
		}
		return -1
	}
	assert.Less(t, at(copies), at("change the definition of guest grading"))
	assert.Less(t, at(copies), at("start guest grading"))
	s := o.Steps[at(copies)].Step.(*step.CopyBack)
	require.NoError(t, s.Sound())
	assert.Equal(t, []step.Detail{{Head: "makes", Text: "qcow2, a disk of 129.0 MiB"}, {Head: "copies", Text: "partition 1 start, 64.0 MiB"}, {Head: "leaves", Text: "partition 2 shelf, 64.0 MiB"}}, s.Details())
	assert.Empty(t, o.Erases())
	assert.Equal(t, []string{backImage}, o.Makes())

	changed := func(change func(*facts.Survey)) []string {
		b, _ := givenUp()
		change(&b.Survey)
		changes, err := o.Changes(facts.NewIndex(&b.Survey))
		require.NoError(t, err)
		var names []string
		for _, c := range changes {
			names = append(names, c.Fact)
		}
		return names
	}
	assert.Empty(t, changed(func(s *facts.Survey) { s.Rooms[0].FreeBytes = 1 }), "room comes and goes")
	assert.NotEmpty(t, changed(func(s *facts.Survey) { s.Rooms[0].Unfinished = true }))
	assert.NotEmpty(t, changed(func(s *facts.Survey) { s.Contents[0].Table.Entries[0].Last-- }))
}

// An order of another machine may carry nothing but whole partitions of the table
// that it names, to a path.
func TestUnsoundBack(t *testing.T) {
	for name, change := range map[string]func(*step.CopyBack){
		"another place":     func(s *step.CopyBack) { s.Image.Table.Entries[0].Last++ },
		"larger":            func(s *step.CopyBack) { s.Image.SizeBytes += 1 << 20 },
		"another table":     func(s *step.CopyBack) { s.Image.Table.ID = "x" },
		"no path":           func(s *step.CopyBack) { s.Image.Path = "back.qcow2" },
		"a path with steps": func(s *step.CopyBack) { s.Image.Path = "/srv/../etc/x" },
		"a format":          func(s *step.CopyBack) { s.Image.Format = "vmdk" },
		"sectors":           func(s *step.CopyBack) { s.Drive.SectorBytes = 4096 },
		"nothing":           func(s *step.CopyBack) { s.Image.Table.Entries = nil },
	} {
		b, l := givenUp()
		for _, w := range plan(t, b, l, "day").Steps {
			if s, ok := w.Step.(*step.CopyBack); ok {
				change(s)
				assert.Error(t, s.Sound(), name)
			}
		}
	}
}
