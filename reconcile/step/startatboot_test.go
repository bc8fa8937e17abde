package step_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/invented"
	"lendkeep/reconcile/step"
)

// What is done by hand is what is asked of a system.
func TestHandsAreWhatIsAsked(t *testing.T) {
	for _, kind := range []string{"windows", "linux", "plan9", ""} {
		var asked []string
		for _, q := range facts.Matters(kind) {
			asked = append(asked, string(q))
		}
		assert.Equal(t, asked, step.Hands(kind), kind)
	}
}

// copied is a host whose drive holds a copy, and the step that mends it.
func copied(says map[facts.Matter]facts.Held) (*invented.Builder, *step.StartAtBoot) {
	b := invented.NewBuilder()
	at := b.NVMe("RL-4410-0073")
	drive := *b.Look("nvme0n1")
	image := *b.System("/srv/images/grading.qcow2")
	drive.Blank, drive.Table, drive.Volumes, drive.System = false, image.Table, image.Volumes, invented.Installed("windows", says)
	b.Survey.Contents = []facts.Content{drive, image}
	return b, &step.StartAtBoot{Copied: true, Guests: []string{"grading"}, Image: image.Of, Table: image.Table.ID, Saw: drive.System.Answer(facts.AsksDriver),
		Target: step.Target{Controller: b.Identity("reel", at), Drive: facts.Drive{Controller: "reel", Serial: "RL-4410-0073", Namespace: 1, SizeBytes: 2 << 30, SectorBytes: 512}, Keep: "k"}}
}

func TestStartAtBoot(t *testing.T) {
	driver := func(h facts.Held) map[facts.Matter]facts.Held {
		return map[facts.Matter]facts.Held{facts.AsksDriver: h}
	}
	for name, c := range map[string]struct {
		says   facts.Held
		change func(*facts.Content)
		stands step.Standing
		refuse string
	}{
		"not set":                      {facts.Absent, nil, step.Before, ""},
		"set":                          {facts.Present, nil, step.After, "cannot be changed in place"},
		"not known":                    {facts.Unknown, nil, step.Neither, "cannot be changed in place"},
		"not to be changed":            {facts.Absent, func(c *facts.Content) { c.System.Answers[0].Mendable = false }, step.Before, "cannot be changed in place"},
		"no system is seen":            {facts.Absent, func(c *facts.Content) { c.System = nil }, step.Neither, "no installed system was seen on nvme0n1"},
		"another system is there":      {facts.Absent, func(c *facts.Content) { other := *c.Table; other.ID = "another"; c.Table = &other }, step.Neither, "does not hold the copy"},
		"half a copy":                  {facts.Absent, func(c *facts.Content) { c.Unfinished = "k" }, step.Neither, "does not hold the copy"},
		"it is part of something else": {facts.Absent, func(c *facts.Content) { c.Signature = &facts.Signature{Kind: "drbd"} }, step.Neither, "drbd as a whole"},
		"blank":                        {facts.Absent, func(c *facts.Content) { *c = facts.Content{Of: c.Of, Blank: true} }, step.Before, "does not hold the copy"},
		"it could not be read":         {facts.Absent, func(c *facts.Content) { c.Gaps = []facts.Gap{{Fact: "table", Reason: "input/output error"}} }, step.Neither, "input/output error"},
	} {
		t.Run(name, func(t *testing.T) {
			b, s := copied(driver(c.says))
			if c.change != nil {
				c.change(&b.Survey.Contents[0])
			}
			standing, seen := s.Stands(answered(b))
			assert.Equal(t, c.stands, standing, seen)
			if err := s.Ready(answered(b)); c.refuse == "" {
				require.NoError(t, err)
			} else {
				require.ErrorContains(t, err, c.refuse)
			}
		})
	}
	b, s := copied(driver(facts.Absent))
	b.Survey.Swaps = []facts.Swap{{Path: "/dev/nvme0n1"}}
	require.ErrorContains(t, s.Ready(answered(b)), "it is in use")
	require.ErrorContains(t, s.MayUndo(answered(b)), "it is in use")
}

// Where no copy goes with it, one number of two that was changed before a cut-off is
// neither: what stood there is put back.
func TestStartAtBootHalfDone(t *testing.T) {
	b, s := copied(map[facts.Matter]facts.Held{facts.AsksDriver: facts.Absent})
	s.Copied = false
	standing, seen := s.Stands(answered(b))
	assert.Equal(t, step.Before, standing, seen)
	b.Survey.Contents[0].System.Answers[0].Seen = `stornvme\Start is 0; stornvme\StartOverride\0 is 3`
	standing, seen = s.Stands(answered(b))
	assert.Equal(t, step.Neither, standing, seen)
	assert.NoError(t, s.Ready(answered(b)), "it goes on")
	assert.True(t, s.About().MayStay)
}

// A confirmation counts as long as nothing that is seen speaks against it.
func TestByHandStands(t *testing.T) {
	hand := &step.ByHand{Guest: "grading", System: "windows", Hand: "encryption", Keep: "k", Image: "/srv/images/grading.qcow2"}
	for name, c := range map[string]struct {
		confirmed bool
		says      facts.Held
		want      step.Standing
		seen      string
	}{
		"not confirmed":              {false, "", step.Before, "not confirmed"},
		"not confirmed, but seen":    {false, facts.Present, step.Before, "not confirmed"},
		"confirmed":                  {true, "", step.After, "confirmed"},
		"confirmed, not known":       {true, facts.Unknown, step.After, "confirmed"},
		"confirmed, and seen":        {true, facts.Present, step.After, "guest grading: where it is: it is present"},
		"confirmed, and seen not so": {true, facts.Absent, step.Before, "guest grading: where it is: it is absent"},
	} {
		t.Run(name, func(t *testing.T) {
			b := invented.NewBuilder()
			b.Guest("grading", hand.Image)
			b.Run("grading")
			b.Says("grading", "windows", map[facts.Matter]facts.Held{facts.AsksEncryption: c.says})
			if c.confirmed {
				b.Survey.Confirmed = []string{hand.Name()}
			}
			standing, seen := hand.Stands(facts.NewIndex(&b.Survey))
			assert.Equal(t, c.want, standing)
			assert.Contains(t, seen, c.seen)
		})
	}
	assert.NoError(t, hand.Sound())
	hand.Saw.Question = facts.AsksDriver
	assert.Error(t, hand.Sound(), "what it shows is of another step")
}
