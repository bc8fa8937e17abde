package main

import (
	"bytes"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/emulated"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/step"
	"lendkeep/reconcile/twin"
)

// trialOnStandIn tries larch's order for a shift on a stand-in, and gives what was
// printed.
func trialOnStandIn(t *testing.T, shift string, says func(string, emulated.Result) emulated.Result) (*trial, string, error) {
	t.Helper()
	tried, out := trialOf(t, shift, says)
	failed := tried.goThrough(t.Context(), "stage", tried.stages(), 0, &tried.report.Stages)
	tried.complete(failed)
	require.NoError(t, printEnd(tried.out, tried.report))
	return tried, out.String(), failed
}

// trialOf gives a trial of larch's order for a shift on a stand-in.
func trialOf(t *testing.T, shift string, says func(string, emulated.Result) emulated.Result) (*trial, *bytes.Buffer) {
	t.Helper()
	return trialOfExample(t, says, "larch", "--shift", shift)
}

// trialOfExample gives one of an example's order, planned with options.
func trialOfExample(t *testing.T, says func(string, emulated.Result) emulated.Result, example string, options ...string) (*trial, *bytes.Buffer) {
	t.Helper()
	folder, _ := larch(t)
	file := filepath.Join(t.TempDir(), "an.order")
	must(t, append([]string{"plan", "../../examples/" + example, "--stand-in", folder, "-o", file}, options...)...)
	sealed, err := openOrder(file)
	require.NoError(t, err)
	survey, err := readSurvey(filepath.Join(folder, "survey.json"))
	require.NoError(t, err)
	layout, err := twinning{}.layoutOf(sealed.Order, survey.Machine)
	require.NoError(t, err)
	judge, closeJudge := openJudge(t.Context())
	t.Cleanup(closeJudge)
	var out bytes.Buffer
	machine := twin.Of(survey)
	host := &inStandIn{t: t, folder: folder, judge: judge, says: says, machine: machine}
	tried := &trial{host: host, programs: programs{lendkeep: file, guard: file}, given: sealed, layout: layout, survey: facts.NewIndex(&survey), machine: machine, out: &text{w: &out}}
	t.Cleanup(tried.close)
	return tried, &out
}

// Where the host does what memory does, nothing is found, in both directions.
func TestTwinAgrees(t *testing.T) {
	for shift, starts := range map[string][]string{"day": {"grading"}, "night": {"catalogue"}} {
		tried, out, err := trialOnStandIn(t, shift, nil)
		require.NoError(t, err, out)
		assert.Empty(t, tried.differences, shift)
		assert.Empty(t, tried.steps, shift)
		assert.Equal(t, starts, tried.guests)
		assert.Contains(t, out, "as it was in memory")
		for i, s := range tried.stages() {
			assert.Contains(t, out, fmt.Sprintf("stage %d of 8, %s: ", i+1, s.name))
		}
	}
}

// The power button is pressed where a stand-in starts, and nowhere else: not where a
// guest boots from a card, from a drive without one, or from one that was erased.
func TestTwinAnswersWhereAStandInStarts(t *testing.T) {
	tried, out, err := trialOnStandIn(t, "day", nil)
	require.NoError(t, err, out)
	kept := *tried.after.Guest("grading").Kept
	require.NotEmpty(t, kept.Boot.Ranked)
	unsigned := *tried.after.Survey
	kept.Boot.NVRAM, unsigned.Stores = "/none.fd", []facts.VariableStore{{Path: "/none.fd", Keys: facts.Absent}, {Path: "/keys.fd", Keys: facts.Present}, {Path: "/unread.fd", Keys: facts.Unknown}}
	after := facts.NewIndex(&unsigned)
	assert.True(t, tried.answers(after, &kept, tried.comesToHave), "from the ESP of the drive that it boots from")
	assert.True(t, tried.answers(after, &kept, tried.had), "which it had before")

	changed := func(change func(*facts.Definition)) *facts.Definition {
		d := kept
		d.Disks = slices.Clone(d.Disks)
		change(&d)
		return &d
	}
	image := tried.machine.Guests[slices.IndexFunc(tried.machine.Guests, func(g twin.Guest) bool { return len(g.Images) > 0 })].Images[0].Path
	disk := facts.Disk{Target: "vda", Kind: "file", Device: "disk", Source: image}
	for why, c := range map[string]struct {
		change  func(*facts.Definition)
		answers bool
	}{
		"BIOS does not start from a drive's ESP":      {func(d *facts.Definition) { d.Boot.Firmware = "bios" }, false},
		"what it boots from is left out of the order": {func(d *facts.Definition) { d.Boot.Ranked = []facts.Ranked{{Device: "disk vdb", Order: 1}} }, false},
		"disks alone have a place in it":              {func(d *facts.Definition) { d.Disks, d.Boot.Ranked, d.Boot.Kinds = nil, nil, []string{"hd"} }, false},
		"nothing is left out":                         {func(d *facts.Definition) { d.Boot.Ranked = nil }, true},
		"it has lost the drive":                       {func(d *facts.Definition) { d.Hostdevs = nil }, false},
		"and has an image, which is not in the order": {func(d *facts.Definition) { d.Hostdevs, d.Disks = nil, []facts.Disk{disk} }, false},
		"or is": {func(d *facts.Definition) {
			d.Hostdevs, d.Disks, d.Boot.Ranked = nil, []facts.Disk{disk}, []facts.Ranked{{Device: "disk vda", Order: 1}}
		}, true},
		"of a BIOS": {func(d *facts.Definition) { d.Boot = facts.Boot{Firmware: "bios"}; d.Disks = []facts.Disk{disk} }, true},
		"in a CD's drive": {func(d *facts.Definition) {
			d.Boot.Ranked, d.Hostdevs = nil, nil
			d.Disks = []facts.Disk{{Target: "sda", Kind: "file", Device: "cdrom", Source: image}}
		}, false},
	} {
		assert.Equal(t, c.answers, tried.answers(after, changed(c.change), tried.had), why)
	}

	for store, answers := range map[string]bool{"/keys.fd": false, "/unread.fd": false, "/none.fd": true} {
		signed := changed(func(d *facts.Definition) { d.Boot.NVRAM = store })
		assert.Equal(t, answers, tried.answers(after, signed, tried.had), "by Secure Boot with "+store)
	}

	at := kept.Hostdevs[0].Address
	assert.True(t, tried.comesToHave(at))
	for _, r := range tried.planned.Order.Controllers {
		tried.planned.Order.Steps = append(tried.planned.Order.Steps, step.Written{Step: &step.ClearDrive{Target: step.Target{Drive: facts.Drive{Serial: r.Serial}}}})
	}
	assert.False(t, tried.comesToHave(at), "the order has erased the drive")
	assert.True(t, tried.had(at))
	reel := tried.there.Controller(tried.there.Guest("grading").Boots.Name)
	reel.Drive.CopyOf = "/srv/none.qcow2"
	assert.False(t, tried.comesToHave(at), "and copied what is no stand-in")
	reel.Drive.CopyOf = image
	assert.True(t, tried.comesToHave(at), "or one")
}

// A guest that the order shuts down and in which nothing starts loses its power by the
// button, and the report says so.
func TestTwinCutsWhatCannotAnswer(t *testing.T) {
	tried, out := trialOf(t, "night", nil)
	host := tried.host.(*inStandIn)
	for i := range tried.machine.Guests {
		tried.machine.Guests[i].Images = nil
	}
	tried.machine.Each(func(p *twin.Part) { p.Disks = nil })
	survey := host.survey()
	for i := range survey.Libvirt.Guests {
		if g := &survey.Libvirt.Guests[i]; g.Name == "grading" {
			g.Running, g.Condition, g.Live = true, "running", g.Kept
		}
	}
	host.become(survey)
	_ = tried.goThrough(t.Context(), "stage", tried.stages(), 0, &tried.report.Stages)
	t.Log(out)
	require.NotNil(t, tried.before)
	require.Equal(t, []string{"grading"}, tried.silent())
	assert.Equal(t, []string{"grading", "catalogue"}, host.unheard, "and the one that the order started, when it is undone")
	assert.Contains(t, fmt.Sprint(tried.untried), "shut down guest grading: no system runs in it on the twin")
}

// The store that libvirt makes by a name of its own, which a guest's live definition
// alone has, is that of the guest; other stores are nobody's to take over.
func TestTwinTakesOverAGuestsOwnStore(t *testing.T) {
	const made, other = "/var/lib/libvirt/qemu/nvram/g_VARS.fd", "/srv/other.fd"
	is := facts.Survey{Stores: []facts.VariableStore{{Path: made}, {Path: other}}}
	is.Libvirt.Guests = []facts.Guest{{Name: "g", Running: true, Kept: &facts.Definition{}, Live: &facts.Definition{Boot: facts.Boot{NVRAM: made}}},
		{Name: "off", Kept: &facts.Definition{Boot: facts.Boot{NVRAM: other}}}}
	tried := &trial{before: facts.NewIndex(&facts.Survey{})}
	var in facts.Survey
	tried.ownStores(&in, facts.NewIndex(&is))
	assert.Equal(t, []facts.VariableStore{{Path: made}}, in.Stores)

	// The guest that ran has ended: nothing names its store any more, but what it keeps is missed.
	tried = &trial{before: facts.NewIndex(&is)}
	ended := facts.Survey{Stores: []facts.VariableStore{{Path: other}}}
	ended.Libvirt.Guests = []facts.Guest{{Name: "g", Kept: &facts.Definition{}}, is.Libvirt.Guests[1]}
	in = facts.Survey{Stores: slices.Clone(is.Stores)}
	tried.ownStores(&in, facts.NewIndex(&ended))
	assert.Equal(t, []facts.VariableStore{{Path: other}}, in.Stores)
	ended.Libvirt.Guests[0].Kept.Boot.NVRAM = made
	in = facts.Survey{Stores: slices.Clone(is.Stores)}
	tried.ownStores(&in, facts.NewIndex(&ended))
	assert.Equal(t, is.Stores, in.Stores)
}

// The kernel's driver is taken over where nothing has told which one it is, and nowhere
// else: a driver that memory knew and lost is a difference.
func TestTwinTakesOverADriverThatNobodyKnew(t *testing.T) {
	at := facts.Address{Bus: 2}
	for why, c := range map[string]struct {
		was  facts.Function
		is   string
		want string
	}{
		"it was lent":                      {facts.Function{Driver: "vfio-pci"}, "e1000e", "e1000e"},
		"an override kept it":              {facts.Function{Driver: "pci-stub", DriverOverride: "pci-stub"}, "e1000e", "e1000e"},
		"it had none":                      {facts.Function{}, "e1000e", "e1000e"},
		"it had that one":                  {facts.Function{Driver: "e1000e"}, "e1000e", ""},
		"VFIO keeps it":                    {facts.Function{Driver: "vfio-pci"}, "vfio-pci", ""},
		"a drive comes back to one driver": {facts.Function{Driver: "vfio-pci", Class: facts.ClassNVMe}, "nvme", ""},
	} {
		c.was.Address = at
		lost, now := c.was, c.was
		lost.Driver, now.Driver = "", c.is
		is := facts.NewIndex(&facts.Survey{Functions: []facts.Function{now}})
		tried := &trial{before: facts.NewIndex(&facts.Survey{Functions: []facts.Function{c.was}})}
		in := facts.Survey{Functions: []facts.Function{lost}}
		tried.driversOf(&in, is)
		assert.Empty(t, in.Functions[0].Driver, "not of the order: "+why)
		tried.planned.Order.Controllers = []facts.Identity{{Controller: "card", Address: at}}
		tried.driversOf(&in, is)
		assert.Equal(t, c.want, in.Functions[0].Driver, why)
	}
}

// A host that does otherwise than memory is found, whatever it does otherwise.
func TestTwinFindsPlantedDifferences(t *testing.T) {
	applied := false
	surveyed := func(was, is string) func(string, emulated.Result) emulated.Result {
		return func(command string, r emulated.Result) emulated.Result {
			applied = applied || command == "apply"
			if command == "survey" && applied {
				require.Contains(t, r.Stdout, was)
				r.Stdout = strings.ReplaceAll(r.Stdout, was, is)
			}
			return r
		}
	}
	ends := func(of string, exit int) func(string, emulated.Result) emulated.Result {
		return func(command string, r emulated.Result) emulated.Result {
			if command == of {
				r.Exit, r.Stderr = exit, "lendkeep: the kernel says no"
			}
			return r
		}
	}
	for name, planted := range map[string]struct {
		says func(string, emulated.Result) emulated.Result
		want string
	}{
		"the kernel refuses the order": {ends("apply", exitRolledBack), `lendkeep apply ended with exit code 3, in memory it was done: lendkeep: the kernel says no`},
		"and the way back":             {ends("rollback", exitPerson), `lendkeep rollback ended with exit code 4`},
		"a driver that stays":          {surveyed(`"driver": "vfio-pci"`, `"driver": "nvme"`), `after the order.*driver`},
		"a guest that does not run":    {surveyed(`"condition": "running"`, `"condition": "paused"`), `after the order.*guest grading was running, is paused`},
	} {
		t.Run(name, func(t *testing.T) {
			applied = false
			tried, out, _ := trialOnStandIn(t, "day", planted.says)
			require.NotEmpty(t, tried.differences, out)
			assert.Regexp(t, planted.want, strings.Join(tried.differences, "\n"))
			assert.Contains(t, out, "difference")
			assert.NotContains(t, out, "as it was in memory, and undone")
		})
	}
}
