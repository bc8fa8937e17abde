package order_test

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/invented"
	"lendkeep/reconcile/order"
	"lendkeep/reconcile/step"
	"lendkeep/spec"
)

const (
	grading  = "/srv/images/grading.qcow2"
	mends    = "let the NVMe driver of guest grading start at boot, on the drive of reel (RL-4410-0073)"
	copies   = "copy " + grading + " to the drive of reel (RL-4410-0073) and read it back"
	byDriver = "by hand, in guest grading: see that Windows starts its NVMe driver by itself"
	byKey    = "by hand, in guest grading: suspend drive encryption"
	byFast   = "by hand, in guest grading: turn fast startup off, so that shutting down does not hibernate"
)

type says = map[facts.Matter]facts.Held

// What a person does by hand is what nobody has seen to be as it must, and what a
// step does not mend.
func TestStepsByHandShrink(t *testing.T) {
	for name, c := range map[string]struct {
		change func(*invented.Builder)
		want   []string
	}{
		"nobody looked": {func(b *invented.Builder) {}, []string{byDriver, byKey, byFast, copies}},
		"the image tells all": {func(b *invented.Builder) { b.Holds(grading, "windows", invented.Settled("windows", facts.Present)) },
			[]string{copies}},
		"the image tells some": {func(b *invented.Builder) {
			b.Holds(grading, "windows", says{facts.AsksDriver: facts.Present, facts.AsksShutdown: facts.Absent})
		}, []string{byKey, byFast, copies}},
		"the copy can be mended": {func(b *invented.Builder) {
			b.Holds(grading, "windows", says{facts.AsksDriver: facts.Absent, facts.AsksEncryption: facts.Present, facts.AsksShutdown: facts.Present})
		}, []string{copies, mends}},
		"the guest writes to the image": {func(b *invented.Builder) {
			b.Holds(grading, "windows", invented.Settled("windows", facts.Present))
			b.Run("grading")
		}, []string{byDriver, byKey, byFast, copies}},
		"the guest says so": {func(b *invented.Builder) {
			b.Says("grading", "windows", invented.Settled("windows", facts.Present))
			b.Holds(grading, "windows", invented.Settled("windows", facts.Absent))
			b.Run("grading")
		}, []string{copies}},
		"another guest says so": {func(b *invented.Builder) {
			b.Says("catalogue", "windows", invented.Settled("windows", facts.Present))
			b.Run("catalogue")
			b.Run("grading")
		}, []string{byDriver, byKey, byFast, copies}},
		"it says what nobody knows": {func(b *invented.Builder) {
			b.Holds(grading, "windows", invented.Settled("windows", "perhaps"))
		}, []string{byDriver, byKey, byFast, copies}},
		"a guest that was asked and is off by now": {func(b *invented.Builder) {
			b.Says("grading", "windows", invented.Settled("windows", facts.Present))
		}, []string{byDriver, byKey, byFast, copies}},
	} {
		t.Run(name, func(t *testing.T) {
			b, l := moving()
			b.Reads()
			l.Guests[0].System = "windows"
			c.change(b)
			var got []string
			for _, line := range does(plan(t, b, l, "night")) {
				if strings.HasPrefix(line, "by hand") || strings.HasPrefix(line, "let ") || strings.HasPrefix(line, "copy ") {
					got = append(got, line)
				}
			}
			assert.Equal(t, c.want, got)
		})
	}
}

// A system that was seen needs not be stated.
func TestSystemAsSeen(t *testing.T) {
	b, l := moving()
	b.Holds(grading, "linux", says{facts.AsksDriver: facts.Present, facts.AsksNames: facts.Present})
	o := plan(t, b, l, "night")
	assert.Equal(t, "by hand, in guest grading: see that its loader leads to a kernel", does(o)[0])
}

// The driver is mended on the copy before the host has anything of it, and before
// the guest starts.
func TestMendingComesBetween(t *testing.T) {
	driverless := says{facts.AsksDriver: facts.Absent, facts.AsksEncryption: facts.Present, facts.AsksShutdown: facts.Present}
	b, l := moving()
	b.Holds(grading, "windows", driverless)
	l.Guests[0].System = "windows"
	assert.Equal(t, []string{
		installs,
		"change the definition of guest grading",
		copies, mends,
		"write the partition table of the drive of reel (RL-4410-0073): its backup goes to the end of the drive; partition 3 shelf is added, 1.0 GiB",
		"make a filesystem (xfs) on partition shelf of the drive of reel (RL-4410-0073)",
		"start guest grading, which borrows reel",
	}, does(plan(t, b, l, "day")))

	// A drive that holds the copy already, and nothing else is missing on it.
	b.Survey.Contents[0].Blank, b.Survey.Contents[0].Table = false, b.Survey.Contents[1].Table
	b.Survey.Contents[0].System, b.Survey.Contents[0].Volumes = b.Survey.Contents[1].System, b.Survey.Contents[1].Volumes
	b.Survey.Blocks = append(b.Survey.Blocks, facts.Block{Name: "nvme0n1p1", Devno: facts.Devno{Major: 259, Minor: 99}, Controller: &facts.Address{Bus: 1}, Whole: "nvme0n1", SectorBytes: 512,
		Partition: &facts.Partition{Number: 1, ID: "5f0c3b1e-0000-4000-8000-0000000000e1", Type: facts.TypeESP}})
	l.Controllers[0].Drive.Partitions, l.Controllers[0].Return.Mounts = nil, nil
	got := does(plan(t, b, l, "day"))
	assert.Equal(t, []string{mends, "write the partition table of the drive of reel (RL-4410-0073): its backup goes to the end of the drive", "start guest grading, which borrows reel"}, got[len(got)-3:])

	// The image is gone, so that the drive is all there is of it: it is not touched.
	b.Survey.Contents = b.Survey.Contents[:1]
	b.Survey.Paths = []facts.Path{{Named: grading, Missing: true}}
	assert.NotContains(t, does(plan(t, b, l, "day")), mends)
}

// What a step by hand was left out for is relied on, and asked again of the image
// once its guest is off.
func TestAnswersAreReliedOn(t *testing.T) {
	for name, c := range map[string]struct {
		change func(*facts.Survey)
		want   string
	}{
		"as it was":    {func(s *facts.Survey) {}, ""},
		"another time": {func(s *facts.Survey) { s.Asked[0].AskedAt = s.TakenAt.AddDate(0, 0, 1) }, ""},
		"what nobody relied on": {func(s *facts.Survey) {
			s.Asked[0] = *invented.Installed("windows", says{facts.AsksDriver: facts.Present, facts.AsksEncryption: facts.Present, facts.AsksShutdown: facts.Present, facts.AsksPending: facts.Absent})
			s.Asked[0].Guest = "grading"
		}, ""},
		"it says no": {func(s *facts.Survey) {
			s.Asked[0] = *invented.Installed("windows", says{facts.AsksDriver: facts.Absent, facts.AsksEncryption: facts.Present})
			s.Asked[0].Guest = "grading"
		}, "answer of question driver in " + grading + " was present, is absent, and can be mended on a copy"},
		"it is another system": {func(s *facts.Survey) { s.Asked[0].Kind = "linux" }, "system of question driver in " + grading + " was windows, is linux"},
		"it does not say":      {func(s *facts.Survey) { s.Asked = nil }, "answer of question encryption in " + grading + " was present, is unknown"},
	} {
		t.Run(name, func(t *testing.T) {
			b, l := moving()
			l.Guests[0].System = "windows"
			b.Says("grading", "windows", says{facts.AsksDriver: facts.Present, facts.AsksEncryption: facts.Present})
			b.Run("grading")
			o := plan(t, b, l, "day")
			c.change(&b.Survey)
			changes, err := o.Changes(facts.NewIndex(&b.Survey))
			require.NoError(t, err)
			var told []string
			for _, change := range changes {
				told = append(told, change.String())
			}
			if c.want == "" {
				assert.Empty(t, told)
				return
			}
			assert.Contains(t, told, c.want)
		})
	}
}

// The order tells what was seen where it asks for something by hand.
func TestStepsByHandTellWhatWasSeen(t *testing.T) {
	b, l := moving()
	l.Guests[0].System = "linux"
	b.Says("grading", "linux", says{facts.AsksDriver: facts.Absent, facts.AsksNames: facts.Present})
	b.Survey.Asked[0].Name = "Debian GNU/Linux 12 (bookworm)"
	b.Run("grading")
	l.Shifts[1].Guests, l.Guests[0].At = nil, spec.Place{File: "x", Line: 1}
	o := plan(t, b, l, "night")
	hand := o.Steps[0].Step.(*step.ByHand)
	assert.Equal(t, []step.Detail{
		{Head: "found", Text: "guest grading: where it is: it is absent"},
		{Head: "do", Text: "take nvme into the initramfs, as root: echo nvme >> /etc/initramfs-tools/modules && update-initramfs -u -k all"},
	}, hand.Details()[:2])
	sealed, err := order.Seal(o)
	require.NoError(t, err)
	again, err := order.Open(sealed.File())
	require.NoError(t, err)
	assert.Equal(t, o, again.Order)
}
