package carry_test

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"lendkeep/providers/memory"
	"lendkeep/reconcile/assess"
	"lendkeep/reconcile/carry"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/fault"
	"lendkeep/reconcile/invented"
	"lendkeep/reconcile/journal"
	"lendkeep/reconcile/order"
	"lendkeep/reconcile/rehearse"
	"lendkeep/reconcile/step"
	"lendkeep/spec"
)

// day is a host where the catalogue guest runs from the shelf, and a layout
// whose day shift shuts it down, unmounts the shelf and lends the controller.
func day(t *testing.T) (facts.Survey, order.Sealed) {
	survey := atNight()
	return survey, plan(t, survey, larch(), "day")
}

func atNight() facts.Survey {
	b := invented.NewBuilder()
	b.NVMe("RL-4410-0073", "start", "shelf")
	b.NVMe("RL-4410-0088")
	b.Mount("nvme0n1p2", "/srv/shelf")
	b.Guest("grading", "/srv/images/grading.qcow2")
	b.Guest("catalogue", "/srv/shelf/catalogue.qcow2")
	b.Run("catalogue")
	b.Survey.Watch = facts.InstalledWatch{Systemd: true, Program: true}
	return b.Survey
}

func larch() *spec.Layout {
	return invented.Layout(
		[]spec.Controller{invented.Controller("reel", "RL-4410-0073", "shelf", "/srv/shelf")},
		[]spec.Guest{invented.Guest("grading", "reel"), invented.Guest("catalogue")},
		invented.Shift("day", "grading"), invented.Shift("night", "catalogue"))
}

// night goes the other way: the controller comes back, the shelf is mounted,
// the catalogue guest starts.
func night(t *testing.T) (facts.Survey, order.Sealed) {
	survey, sealed := day(t)
	r := rehearse.Rehearsal{Host: memory.Rehearse, Survey: survey, Sealed: sealed}
	report, err := r.Run(context.Background())
	require.NoError(t, err)
	require.True(t, report.Through.Good)
	after := r.Planned()
	return after, plan(t, after, larch(), "night")
}

func plan(t require.TestingT, survey facts.Survey, layout *spec.Layout, shift string) order.Sealed {
	c := assess.NewCase(layout, facts.NewIndex(&survey), layout.Shift(shift))
	o, err := order.Plan(c, assess.Assess(c))
	require.NoError(t, err, "%v", assess.Assess(c))
	sealed, err := order.Seal(o)
	require.NoError(t, err)
	return sealed
}

func does(s order.Sealed) []string {
	var list []string
	for _, w := range s.Order.Steps {
		list = append(list, w.Step.About().Does)
	}
	return list
}

func TestDayShift(t *testing.T) {
	_, sealed := day(t)
	assert.Equal(t, []string{
		"install the guard of every start",
		"install the service that watches lends, and start it",
		"change the definition of guest grading",
		"shut down guest catalogue",
		"unmount shelf of reel at /srv/shelf",
		"start guest grading, which borrows reel",
	}, does(sealed))
}

func TestNightShift(t *testing.T) {
	_, sealed := night(t)
	assert.Equal(t, []string{
		"shut down guest grading",
		"take back reel from guest grading",
		"mount shelf of reel at /srv/shelf",
		"start guest catalogue",
	}, does(sealed))
}

// byROM is the day shift of a host whose firmware cannot read NVMe, with a shim
// that is an option ROM.
func byROM(t *testing.T) (facts.Survey, order.Sealed) {
	survey, _ := day(t)
	b := invented.Builder{Survey: survey}
	b.Bare()
	survey = b.Survey
	layout := larch()
	layout.Shims = []spec.Shim{invented.Shim("start", "rom")}
	layout.Guests[0].Shim = &spec.Ref{Name: "start"}
	return survey, plan(t, survey, layout, "day")
}

func TestShiftByROM(t *testing.T) {
	survey, sealed := byROM(t)
	assert.Equal(t, []string{
		"install the guard of every start",
		"install the service that watches lends, and start it",
		"build the option ROM of reel from /fw/donor.fd, as /usr/share/qemu/lendkeep-reel-0a1b2c3d.rom",
		"change the definition of guest grading",
		"shut down guest catalogue",
		"unmount shelf of reel at /srv/shelf",
		"start guest grading, which borrows reel",
	}, does(sealed))
	survey.Firmware[1].SHA256 = "d1"
	assert.Contains(t, strings.Join(changesOf(t, sealed, survey), "\n"), "sha256 of firmware /fw/donor.fd was d0, is d1", "a donor that was exchanged makes the order stale")
}

func changesOf(t *testing.T, sealed order.Sealed, survey facts.Survey) []string {
	changes, err := sealed.Order.Changes(facts.NewIndex(&survey))
	require.NoError(t, err)
	var list []string
	for _, c := range changes {
		list = append(list, c.String())
	}
	return list
}

// moving is a host whose guest runs from an image, and a layout that moves it
// onto a drive which holds something else yet.
func moving(t *testing.T) (facts.Survey, order.Sealed) {
	survey, layout := movingFrom()
	return survey, plan(t, survey, layout, "night")
}

func movingFrom() (facts.Survey, *spec.Layout) {
	b := invented.NewBuilder()
	b.NVMe("RL-4410-0073", "old")
	b.Look("nvme0n1")
	b.Guest("grading", "/srv/images/grading.qcow2")
	b.System("/srv/images/grading.qcow2")
	b.Run("grading")
	layout := larch()
	layout.Guests = layout.Guests[:1]
	layout.Guests[0].System = "windows"
	layout.Shifts[1].Guests = nil
	layout.Controllers[0].Drive.CopyOf, layout.Controllers[0].Drive.CopyFormat = "/srv/images/grading.qcow2", "qcow2"
	layout.Controllers[0].Drive.Erase = "RL-4410-0073"
	return b.Survey, layout
}

func TestMoving(t *testing.T) {
	survey, sealed := moving(t)
	assert.Contains(t, does(sealed), "mount shelf of reel at /srv/shelf")
	r := rehearse.Rehearsal{Host: memory.Rehearse, Survey: survey, Sealed: sealed}
	report, err := r.Run(context.Background())
	require.NoError(t, err)
	require.True(t, report.Through.Good)
	_, layout := movingFrom()
	assert.Empty(t, does(plan(t, r.Planned(), layout, "night")), "the drive holds the system now")
	day := plan(t, r.Planned(), layout, "day")
	assert.Equal(t, []string{"unmount shelf of reel at /srv/shelf", "start guest grading, which borrows reel"}, does(day))
}

var shifts = map[string]func(*testing.T) (facts.Survey, order.Sealed){"day": day, "night": night, "by ROM": byROM, "moving": lentAfter, "mended": mended, "whole slot": wholeSlot, "cards": cards, "paged": paged, "unpaged": unpaged, "virtual": virtual}

// wholeSlot lends all functions of a slot, of which one was left on VFIO, and gets back
// those of another.
func wholeSlot(t *testing.T) (facts.Survey, order.Sealed) {
	b := invented.NewBuilder()
	first, second := b.Screen(), b.Screen()
	b.Function(first).Slot, b.Function(second).Slot = "1", "2"
	sound := first
	sound.Function = 1
	b.Function(sound).Driver, b.Function(sound).DriverOverride = "vfio-pci", "vfio-pci"
	b.Guest("films", "/srv/images/films.qcow2")
	b.Guest("prints", "/srv/images/prints.qcow2", b.Whole("other", second))
	for _, at := range b.Whole("other", second).Addresses() {
		b.Function(at).Driver, b.Function(at).DriverOverride = "vfio-pci", "vfio-pci"
	}
	b.Run("prints")
	b.Survey.Watch = facts.InstalledWatch{Systemd: true, Program: true}
	one, two := invented.ScreenController("screen"), invented.ScreenController("other")
	one.PCI.Slot, two.PCI.Slot = "1", "2"
	films, prints := invented.Guest("films", "screen"), invented.Guest("prints", "other")
	films.Boots, prints.Boots = nil, nil
	layout := invented.Layout([]spec.Controller{one, two}, []spec.Guest{films, prints}, invented.Shift("day", "films"), invented.Shift("night", "prints"))
	return b.Survey, plan(t, b.Survey, layout, "day")
}

func TestWholeSlotIsLentAndComesBack(t *testing.T) {
	survey, sealed := wholeSlot(t)
	assert.Equal(t, []string{
		"install the guard of every start",
		"install the service that watches lends, and start it",
		"change the definition of guest films",
		"shut down guest prints",
		"take back screen from VFIO to the host's driver",
		"start guest films, which borrows screen",
		"take back other from guest prints",
	}, does(sealed))
	r := rehearse.Rehearsal{Host: memory.Rehearse, Survey: survey, Sealed: sealed, Pick: func(int, fault.Mode) bool { return false }}
	report, err := r.Run(context.Background())
	require.NoError(t, err)
	require.True(t, report.Through.Good, report.Through.Why)
	after := r.Planned()
	for _, f := range after.Functions {
		assert.Equal(t, f.Address.Bus == 0xe0, f.OnVFIO(), f.Address.String())
	}
}

// cards gets back a storage controller and a network card, of which the rules know
// what they showed at home.
func cards(t *testing.T) (facts.Survey, order.Sealed) {
	b := invented.NewBuilder()
	disks, card := b.Storage("wwn-0x50014ee2b5c3f2a1", "ata-SPOOL_77"), b.Network("eth3")
	b.Guest("films", "/srv/images/films.qcow2", b.Identity("disks", disks), b.Identity("card", card))
	b.Guest("prints", "/srv/images/prints.qcow2")
	b.Survey.Watch = facts.InstalledWatch{Systemd: true, Program: true}
	layout := cardsLayout()
	rules := order.CompileRules(assess.NewCase(layout, facts.NewIndex(&b.Survey), nil))
	b.Survey.Guard.GuardFiles = rules.Files()
	for _, at := range []facts.Address{disks, card} {
		f := b.Function(at)
		f.Driver, f.DriverOverride, f.Interfaces = "vfio-pci", "vfio-pci", nil
	}
	b.Survey.Blocks = slices.DeleteFunc(b.Survey.Blocks, func(block facts.Block) bool { return block.Controller != nil && *block.Controller == disks })
	b.Run("films")
	return b.Survey, plan(t, b.Survey, layout, "night")
}

func cardsLayout() *spec.Layout {
	films := invented.Guest("films", "disks", "card")
	films.Boots = nil
	return invented.Layout([]spec.Controller{invented.StorageController("disks"), invented.NetworkController("card")}, []spec.Guest{films, invented.Guest("prints")},
		invented.Shift("day", "films"), invented.Shift("night", "prints"))
}

// After a return nothing is left to plan, and what was lent shows what it
// did.
func TestCardsComeBack(t *testing.T) {
	survey, sealed := cards(t)
	assert.Equal(t, []string{
		"install the service that watches lends, and start it",
		"shut down guest films",
		"start guest prints",
		"take back disks from guest films",
		"take back card from guest films",
	}, does(sealed))
	r := rehearse.Rehearsal{Host: memory.Rehearse, Survey: survey, Sealed: sealed, Pick: func(int, fault.Mode) bool { return false }}
	report, err := r.Run(context.Background())
	require.NoError(t, err)
	require.True(t, report.Through.Good, report.Through.Why)
	after := r.Planned()
	assert.Empty(t, does(plan(t, after, cardsLayout(), "night")))
	ix := facts.NewIndex(&after)
	for i := range sealed.Order.Steps {
		if s, is := sealed.Order.Steps[i].Step.(*step.TakeBack); is {
			require.NotEmpty(t, s.Shown)
			standing, seen := s.Stands(ix)
			assert.Equal(t, step.After, standing, seen)
		}
	}
}

// lentAfter has the guest start from its drive at the end: from then on nobody
// sees what is on it.
func lentAfter(t *testing.T) (facts.Survey, order.Sealed) {
	survey, layout := movingFrom()
	return survey, plan(t, survey, layout, "day")
}

// mended has a guest move that runs and says that its NVMe driver does not start at
// boot: that is seen to on the copy, and one step by hand is left.
func mended(t *testing.T) (facts.Survey, order.Sealed) {
	survey, layout := movingFrom()
	b := invented.Builder{Survey: survey}
	b.Says("grading", "windows", map[facts.Matter]facts.Held{facts.AsksDriver: facts.Absent, facts.AsksEncryption: facts.Absent, facts.AsksShutdown: facts.Present})
	return b.Survey, plan(t, b.Survey, layout, "day")
}

func TestMended(t *testing.T) {
	survey, sealed := mended(t)
	assert.Equal(t, []string{
		"by hand, in guest grading: suspend drive encryption",
		"install the guard of every start",
		"shut down guest grading",
		"change the definition of guest grading",
		"erase the drive of reel (RL-4410-0073), which holds a partition table (GPT) with partition 1 old, xfs \"old\"",
		"copy /srv/images/grading.qcow2 to the drive of reel (RL-4410-0073) and read it back",
		"let the NVMe driver of guest grading start at boot, on the drive of reel (RL-4410-0073)",
		"write the partition table of the drive of reel (RL-4410-0073): its backup goes to the end of the drive; partition 3 shelf is added, 1.0 GiB",
		"make a filesystem (xfs) on partition shelf of the drive of reel (RL-4410-0073)",
		"start guest grading, which borrows reel",
	}, does(sealed))
	r := rehearse.Rehearsal{Host: memory.Rehearse, Survey: survey, Sealed: sealed, Pick: func(int, fault.Mode) bool { return false }}
	report, err := r.Run(context.Background())
	require.NoError(t, err)
	assert.True(t, report.Through.Good, report.Through.Why)
}

// unmoved is somebody who confirms and does nothing.
type unmoved struct{ *memory.Host }

func (u unmoved) Confirm(ctx context.Context, s *step.ByHand) error {
	asked := *s
	asked.Guest, asked.Image = "nobody", ""
	return u.Host.Confirm(ctx, &asked)
}

// What is confirmed and seen not to be so is not done: the host stays as it was.
func TestConfirmedButNotSo(t *testing.T) {
	survey, sealed := mended(t)
	approval, err := order.Approve(sealed, sealed.Code(), "RL-4410-0073")
	require.NoError(t, err)
	host := memory.New(survey, nil)
	ports := host.Ports()
	ports.Person = unmoved{host}
	c := carry.Carrier{Ports: ports, Journal: journal.New(&fault.Disk{Fault: &fault.Fault{}}), Clock: &ticking{}}
	report, err := c.Out(context.Background(), approval)
	require.NoError(t, err)
	assert.Equal(t, carry.Restored, report.Ended)
	assert.Contains(t, report.Note, "confirmed, but not so: guest grading: where it is: it is absent")
	assert.Equal(t, carry.Result(""), report.Steps[1].Result, "nothing else was begun")
}

// A guest that says all is well, and an image that says otherwise once it is off.
func TestImageSaysOtherwise(t *testing.T) {
	survey, layout := movingFrom()
	b := invented.Builder{Survey: survey}
	b.Says("grading", "windows", invented.Settled("windows", facts.Present))
	sealed := plan(t, b.Survey, layout, "day")
	approval, err := order.Approve(sealed, sealed.Code(), "RL-4410-0073")
	require.NoError(t, err)
	host := memory.New(b.Survey, nil)
	c := carry.Carrier{Ports: host.Ports(), Journal: journal.New(&fault.Disk{Fault: &fault.Fault{}}), Clock: &ticking{}}
	c.Ports.Survey = otherwise{host}
	report, err := c.Out(context.Background(), approval)
	require.NoError(t, err)
	assert.Equal(t, carry.Restored, report.Ended)
	assert.Contains(t, report.Note, "its guest may not start from the copy; plan again")
}

type otherwise struct{ *memory.Host }

func (o otherwise) Survey(ctx context.Context) (facts.Survey, error) {
	survey, err := o.Host.Survey(ctx)
	b := invented.Builder{Survey: survey}
	b.Holds("/srv/images/grading.qcow2", "windows", invented.Settled("windows", facts.Absent))
	return b.Survey, err
}

func TestEveryFaultEndsWell(t *testing.T) {
	for name, shift := range shifts {
		t.Run(name, func(t *testing.T) {
			survey, sealed := shift(t)
			swept(t, survey, sealed)
		})
	}
}

// swept has every call of an order go wrong, in every way.
func swept(t *testing.T, survey facts.Survey, sealed order.Sealed) {
	r := rehearse.Rehearsal{Host: memory.Rehearse, Survey: survey, Sealed: sealed}
	report, err := r.Run(context.Background())
	require.NoError(t, err)
	require.True(t, report.Through.Good, report.Through.Why)
	assert.Greater(t, len(report.Cases), 100)
	for _, c := range report.Cases {
		assert.True(t, c.Good, "%+v", c)
	}
}

// Every kind of step is in an order in which every call of it goes wrong.
func TestEveryKindIsSwept(t *testing.T) {
	swept := map[string]bool{}
	for _, shift := range shifts {
		_, sealed := shift(t)
		for _, w := range sealed.Order.Steps {
			swept[w.Step.About().Kind] = true
		}
	}
	for _, s := range invented.Steps() {
		assert.True(t, swept[s.About().Kind], "no shift has a step of kind %q", s.About().Kind)
	}
}

// A sweep that finds nothing proves nothing unless it finds what is there.
func TestSweepFindsPlantedMistakes(t *testing.T) {
	for _, mistake := range []string{"no intent is noted", "the deed's answer is believed", "undone in the wrong sequence", "undone without a look at the host"} {
		t.Run(mistake, func(t *testing.T) {
			found := false
			for _, shift := range shifts {
				if found {
					break
				}
				survey, sealed := shift(t)
				r := rehearse.Rehearsal{Host: memory.Rehearse, Survey: survey, Sealed: sealed, Make: func(c carry.Carrier) *carry.Carrier { return carry.Plant(c, mistake) }}
				report, err := r.Run(context.Background())
				require.NoError(t, err)
				found = found || !report.Good()
			}
			assert.True(t, found, "the sweep did not see it")
		})
	}
}

// What may never happen, on hosts and layouts drawn at random: a drive that the
// host uses is lent; an order that was carried out leaves something to do, or keeps
// another shift from being planned that could be before; an order that was rolled
// back, after however many steps, leaves a trace.
func TestOrdersOnRandomHosts(t *testing.T) {
	kinds := ordersOn(t, invented.Random, 2) // 4 to 17 of a hundred are planned
	for _, kind := range []string{"place rom", "place shim", "write entry", "by hand", "clear drive", "copy system", "start at boot", "write table", "make filesystem"} {
		assert.True(t, kinds == nil || kinds[kind] > 0, "no order had a step of kind %q: %v", kind, kinds)
	}
}

// The same of every kind of controller, and of guests near theirs.
func TestOrdersOfEveryKind(t *testing.T) {
	kinds := ordersOn(t, invented.Kinds, 10)
	for _, kind := range []string{"keep pages", "make virtual functions", "take back", "start guest"} {
		assert.True(t, kinds == nil || kinds[kind] > 0, "no order had a step of kind %q: %v", kind, kinds)
	}
}

// ordersOn plans, rehearses and carries out orders for drawn hosts, and gives how many
// steps of each kind there were; nil where too few hosts were drawn to say anything. Of
// a hundred more than so many are to be planned.
func ordersOn(t *testing.T, draw func(*rapid.T) (facts.Survey, *spec.Layout), most int) map[string]int {
	planned, stopped := 0, 0
	kinds := map[string]int{}
	rapid.Check(t, func(t *rapid.T) {
		survey, layout := draw(t)
		shift := rapid.SampledFrom([]string{"day", "night", ""}).Draw(t, "plan for")
		other := map[string]string{"day": "night"}[shift]
		if other == "" {
			other = "day"
		}
		sealed, possible := planFor(t, survey, layout, shift)
		if !possible {
			stopped++
			return
		}
		planned++
		for _, w := range sealed.Order.Steps {
			kinds[w.Step.About().Kind]++
		}
		require.Empty(t, unsampled(t, sealed.Order, survey), "an order relies on no drive that it does not speak of")
		held := survey
		_, before := planFor(t, held, layout, other)
		survey = carriedOut(t, survey, layout, shift, sealed)
		if makesVirtual(sealed) {
			return // of those that were not there nobody could say whether they can be lent
		}
		back, after := planFor(t, survey, layout, other)
		require.True(t, after || !before || told(held, survey, layout, other), "%v; carried out: %s", stopsOf(survey, layout, other), strings.Join(does(sealed), "; "))
		if after {
			carriedOut(t, survey, layout, other, back)
		}
	})
	fmt.Printf("random hosts: %d planned, %d stopped by findings\n", planned, stopped)
	if planned+stopped >= 100 { // of fewer nothing can be said
		assert.Greater(t, planned, most)
		assert.Greater(t, stopped, 10)
	}
	if planned < 100 {
		return nil
	}
	return kinds
}

// unsampled gives what an order sees as changed where nobody has looked whether the drives
// that it does not speak of are blank.
func unsampled(t require.TestingT, o order.Order, survey facts.Survey) []order.Change {
	ix := facts.NewIndex(&survey)
	spoken := o.Functions(ix)
	blind := memory.Clone(survey)
	for at, n := range survey.Namespaces() {
		for i := range blind.Contents {
			if c := &blind.Contents[i]; c.Of == n.Block && !spoken[at] {
				c.Blank = false
			}
		}
	}
	changes, err := o.Changes(facts.NewIndex(&blind))
	require.NoError(t, err)
	return changes
}

// planFor plans an order, where no finding stops it.
func planFor(t *rapid.T, survey facts.Survey, layout *spec.Layout, shift string) (order.Sealed, bool) {
	c := assess.NewCase(layout, facts.NewIndex(&survey), layout.Shift(shift))
	findings := assess.Assess(c)
	for _, f := range findings {
		assert.LessOrEqual(t, len([]rune(f.Summary)), 60, f.Summary)
		assert.NotEmpty(t, f.Remedies, f.Summary)
		assert.NotContains(t, f.Remedies, "", f.Summary)
	}
	if assess.Stops(findings) {
		return order.Sealed{}, false
	}
	o, err := order.Plan(c, findings)
	require.NoError(t, err)
	sealed, err := order.Seal(o)
	require.NoError(t, err)
	return sealed, true
}

// carriedOut rehearses an order with a few of the many ways in which it can go wrong,
// and gives the host after it, on which there is nothing left to do: once whoever waited
// for virtual functions has them, too.
func carriedOut(t *rapid.T, survey facts.Survey, layout *spec.Layout, shift string, sealed order.Sealed) facts.Survey {
	seed := rapid.IntRange(0, 36).Draw(t, "cases")
	r := rehearse.Rehearsal{Host: memory.Rehearse, Survey: survey, Sealed: sealed, Pick: func(call int, mode fault.Mode) bool {
		return (call*len(fault.Modes)+slices.Index(fault.Modes, mode))%37 == seed
	}}
	report, err := r.Run(context.Background())
	require.NoError(t, err)
	if report.Through.Ended == carry.Restored && strings.Contains(report.Through.Why, "the kernel has found") {
		require.True(t, finds(survey, layout, shift, "may have too little free"), report.Through.Why)
		return survey
	}
	if report.Through.Ended == carry.Restored && strings.Contains(report.Through.Why, "plan again") && mayLackPages(survey, layout, shift) {
		return survey
	}
	require.True(t, report.Through.Good, "%s\n%s", report.Through.Why, strings.Join(does(sealed), "\n"))
	for _, c := range report.Cases {
		if c.Ended == carry.Stuck && strings.HasPrefix(c.Recovery, "power cut") && strings.Contains(c.Why, "its IOMMU group cannot be lent") && leftAside(survey) {
			continue // after a boot its driver has it; the report says so, and the next plan puts it aside again
		}
		require.True(t, c.Good, "%+v\n%s", c, strings.Join(does(sealed), "\n"))
	}
	after := r.Planned()
	second, possible := planFor(t, after, layout, shift)
	if (makesVirtual(sealed) || comesToLook(survey, layout, shift)) && (!possible || len(does(second)) > 0) {
		if possible {
			after = carriedOut(t, after, layout, shift, second)
		}
		return after
	}
	require.True(t, possible, "%v; carried out: %s", stopsOf(after, layout, shift), strings.Join(does(sealed), "; "))
	require.Empty(t, does(second), "carried out: %s", strings.Join(does(sealed), "; "))
	return after
}

// leftAside tells whether a function is on VFIO that no guest has.
func leftAside(survey facts.Survey) bool {
	ix := facts.NewIndex(&survey)
	return slices.ContainsFunc(survey.Functions, func(f facts.Function) bool { return f.OnVFIO() && ix.Holder(f.Address) == nil })
}

// told tells whether findings have said before an order of another shift all that stops
// this one after it: a guest that runs may never start again.
func told(before, after facts.Survey, layout *spec.Layout, shift string) bool {
	return comesToLook(before, layout, shift) || !slices.ContainsFunc(stopsOf(after, layout, shift), func(stop string) bool { return !finds(before, layout, shift, stop) })
}

// comesToLook tells whether a finding has said that a drive is looked into once it is
// home: what is on it may stop what was possible without a look.
func comesToLook(survey facts.Survey, layout *spec.Layout, shift string) bool {
	return finds(survey, layout, shift, "is not looked into while it is")
}

// mayLackPages tells whether a finding has said that guests may take each other's pages.
func mayLackPages(survey facts.Survey, layout *spec.Layout, shift string) bool {
	return finds(survey, layout, shift, "may find too few huge pages")
}

func finds(survey facts.Survey, layout *spec.Layout, shift, summary string) bool {
	findings := assess.Assess(assess.NewCase(layout, facts.NewIndex(&survey), layout.Shift(shift)))
	return slices.ContainsFunc(findings, func(f assess.Finding) bool { return strings.Contains(f.Summary, summary) })
}

// makesVirtual tells whether an order has virtual functions made, for which guests wait.
func makesVirtual(s order.Sealed) bool {
	return slices.ContainsFunc(s.Order.Steps, func(w step.Written) bool {
		_, makes := w.Step.(*step.MakeVirtual)
		return makes
	})
}

// trims is a libvirt that gives no definition back to the byte.
type trims struct{}

func (trims) Define(_ context.Context, xml string) (string, error) {
	return strings.TrimSpace(xml) + "\n", nil
}
func (trims) Undefine(context.Context, string) error { return nil }
func (trims) Start(context.Context, string) error    { return nil }
func (trims) Stop(context.Context, string) error     { return nil }

// A definition that ends in a blank line, as virsh prints it, comes back
// without one; the order can be undone all the same.
func TestRollbackOfADefinitionWithABlankLine(t *testing.T) {
	survey, _ := day(t)
	for i := range survey.Libvirt.Guests {
		kept := *survey.Libvirt.Guests[i].Kept
		kept.XML += "\n"
		survey.Libvirt.Guests[i].Kept = &kept
	}
	sealed := plan(t, survey, larch(), "day")
	approval, err := order.Approve(sealed, sealed.Code())
	require.NoError(t, err)
	disk := &fault.Disk{Fault: &fault.Fault{}}
	c := carry.Carrier{Ports: memory.New(survey, trims{}).Ports(), Journal: journal.New(disk), Clock: &ticking{}}
	outAndBack(t, &c, approval)
}
