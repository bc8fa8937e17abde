//go:build pages

package browser

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"lendkeep/providers/memory"
	written "lendkeep/providers/page"
	"lendkeep/reconcile/assess"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/fault"
	"lendkeep/reconcile/invented"
	"lendkeep/reconcile/order"
	"lendkeep/reconcile/page"
	"lendkeep/reconcile/rehearse"
	"lendkeep/reconcile/speed"
	"lendkeep/reconcile/watch"
	"lendkeep/spec"
	"lendkeep/testdata/outside"
)

const root = "../../.."

// lendkeep runs the program that make build has made.
func lendkeep(t *testing.T, arguments ...string) {
	program, err := filepath.Abs(root + "/build/lendkeep")
	require.NoError(t, err)
	if _, err := os.Stat(program); err != nil {
		outside.Missing(t, "make build has not been run: "+err.Error())
	}
	said, err := exec.Command(program, arguments...).CombinedOutput()
	require.NoError(t, err, "%v: %s", arguments, said)
}

// surveyed gives a captured host as a survey file.
func surveyed(t *testing.T, host string) string {
	file := filepath.Join(t.TempDir(), host+".json")
	lendkeep(t, "survey", "--root", root+"/testdata/hosts/"+host+".txtar", "-o", file)
	return file
}

// adopted draws a captured host beside the layout that is made of it.
func adopted(t *testing.T, host string) string {
	folder, survey := t.TempDir(), surveyed(t, host)
	lendkeep(t, "adopt", "-o", folder+"/layout", "--survey", survey)
	lendkeep(t, "draw", folder+"/layout", "--survey", survey, "-o", folder+"/host.html")
	return folder + "/host.html"
}

// put writes a page into a file.
func put(t *testing.T, g page.Given) string {
	content, err := written.Write(page.Draw(g))
	require.NoError(t, err)
	file := filepath.Join(t.TempDir(), "host.html")
	require.NoError(t, os.WriteFile(file, content, 0o600))
	return file
}

// of lays a layout beside facts.
func of(survey facts.Survey, layout *spec.Layout, shift string) page.Given {
	c := assess.NewCase(layout, facts.NewIndex(&survey), layout.Shift(shift))
	return page.Given{Case: c, Findings: assess.Assess(c), NoHistory: "nobody has asked"}
}

// day is larch with the order for its day and a week of history.
func day(t *testing.T) page.Given {
	content, err := os.ReadFile(surveyed(t, "larch"))
	require.NoError(t, err)
	survey, err := facts.Decode(content)
	require.NoError(t, err)
	layout, diagnostics := spec.Load(root+"/examples/larch", spec.Given{Known: true, MemoryBytes: survey.Machine.MemoryBytes, CPUs: survey.Machine.CPUs, HostName: "larch"})
	require.False(t, diagnostics.HasErrors(), "%v", diagnostics)
	g := of(survey, layout, "day")
	o, err := order.Plan(g.Case, g.Findings)
	require.NoError(t, err)
	sealed, err := order.Seal(o)
	require.NoError(t, err)
	r := rehearse.Rehearsal{Host: memory.Rehearse, Sealed: sealed, Survey: survey, Pick: func(int, fault.Mode) bool { return false }}
	_, err = r.Run(t.Context())
	require.NoError(t, err)
	after := r.Planned()
	g.Order, g.After, g.History, g.NoHistory = &sealed, facts.NewIndex(&after), week(survey.TakenAt), ""
	g.Measured = measured(t)
	return g
}

// week is a history: reel lent each day, once late on its way home.
func week(until time.Time) *page.History {
	at := func(hours float64) time.Time { return until.Add(-time.Duration(hours * float64(time.Hour))) }
	h := &page.History{Watching: true, Events: []watch.Event{{At: at(150), Kind: watch.Began}}}
	for hours := 144.0; hours > 0; hours -= 24 {
		e := func(later float64, kind watch.Kind) watch.Event {
			return watch.Event{At: at(hours - later), Kind: kind, Controller: "reel", Serial: "RL-4410-0073", Guest: "grading"}
		}
		lent, letGo, back, late := e(0, watch.Lent), e(9, watch.LetGo), e(9.01, watch.Returned), e(9.5, watch.Alarm)
		lent.Way, back.Way, back.Since, back.Mounted = watch.ByStart, watch.Home, lent.At, []string{"/srv/shelf"}
		h.Events = append(h.Events, lent, letGo)
		if hours == 72 {
			late.Key, late.Text, back.At, back.Took, back.Rung = "late reel", "reel is not home 30s after its guest has ended", at(hours-12), 3*time.Hour, "driver rebind"
			h.Events = append(h.Events, late)
		}
		h.Events = append(h.Events, back)
	}
	return h
}

// measured is two measurements beside each other.
func measured(t *testing.T) *speed.Comparison {
	var list []speed.Result
	for i, label := range []string{"disk through the host", "reel lent"} {
		r := invented.Measured(label, func(k speed.Kind, run int) float64 { return float64(400*(i+1)+run*10) * 1e6 / float64(k.Depth) })
		r.Host = &speed.Host{Guest: "grading", Lent: i > 0, Way: &speed.Way{PayloadBytes: 256, Links: []speed.Link{{Below: "drive", Above: "port at 0000:00:04.0", SpeedMTps: 8000, Width: 1}}}}
		list = append(list, r)
	}
	c, err := speed.Compare(list)
	require.NoError(t, err)
	return &c
}

// long gives a host on which nothing is called by a short name.
func long() (facts.Survey, *spec.Layout) {
	b := invented.NewBuilder()
	wide := strings.Repeat("写真の保管庫", 12)
	reel := b.NVMe("RL-"+strings.Repeat("W", 60), strings.Repeat("start", 14), wide, "\u202eevil\n<b>", strings.Repeat("x ", 200))
	b.Look("nvme0n1")
	b.Function(reel).NVMe.Model = strings.Repeat("Model ", 30)
	b.Function(reel).Link = &facts.Link{SpeedMTps: 2500, Width: 1, MaxSpeedMTps: 32000, MaxWidth: 32}
	b.Function(reel).Gaps = []facts.Gap{{Fact: "slot", Path: "/sys/" + strings.Repeat("deep/", 60), Reason: wide}}
	b.Mount("nvme0n1p2", "/srv/"+strings.Repeat("shelf", 40))
	b.Guest(strings.Repeat("catalogue", 25), "/srv/"+strings.Repeat("shelf", 40)+"/"+wide+".qcow2")
	b.Run(strings.Repeat("catalogue", 25))
	name := strings.Repeat("reel", 30)
	grading := invented.Guest(strings.Repeat("grading", 20), name)
	return b.Survey, invented.Layout([]spec.Controller{invented.Controller(name, "RL-"+strings.Repeat("W", 60), "shelf", "/srv/"+strings.Repeat("shelf", 40))},
		[]spec.Guest{grading, invented.Guest(strings.Repeat("catalogue", 25))}, invented.Shift(strings.Repeat("day", 30), grading.Name), invented.Shift("night", strings.Repeat("catalogue", 25)))
}

func TestCapturedHosts(t *testing.T) {
	for _, host := range []string{"captured-before", "captured-running", "captured-after"} {
		t.Run(host, func(t *testing.T) { shows(t, host, adopted(t, host), widths...) })
	}
}

func TestExamples(t *testing.T) {
	survey := surveyed(t, "larch")
	for _, example := range []string{"larch", "library", "moving"} {
		t.Run(example, func(t *testing.T) {
			file := filepath.Join(t.TempDir(), example+".html")
			lendkeep(t, "draw", root+"/examples/"+example, "--survey", survey, "-o", file)
			shows(t, example, file, widths...)
		})
	}
}

func TestOrderAndHistory(t *testing.T) { shows(t, "day", put(t, day(t)), widths...) }

func TestLongNames(t *testing.T) {
	survey, layout := long()
	shows(t, "long", put(t, of(survey, layout, "")), widths...)
}

func TestLargeHost(t *testing.T) {
	shows(t, "large", put(t, large()), widths...)
}

// randomHosts is how many random hosts are looked at.
const randomHosts = 12

func TestRandomHosts(t *testing.T) {
	type both struct {
		survey facts.Survey
		layout *spec.Layout
	}
	any := rapid.Custom(func(t *rapid.T) both {
		survey, layout := invented.Random(t)
		return both{survey, layout}
	})
	for seed := range randomHosts {
		t.Run(fmt.Sprint(seed), func(t *testing.T) {
			drawn := any.Example(seed)
			shows(t, fmt.Sprint("random-", seed), put(t, of(drawn.survey, drawn.layout, "day")), phone)
		})
	}
}

// Whoever hears the page instead of seeing it hears of every controller, every guest
// and every move.
func TestAccessibilityTree(t *testing.T) {
	for name, g := range map[string]page.Given{"day": day(t), "large": large()} {
		t.Run(name, func(t *testing.T) {
			heard := reads(t, put(t, g))
			p := page.Draw(g)
			for _, f := range g.Case.Facts.Survey.Functions {
				assert.Contains(t, heard, f.Address.String())
			}
			for _, c := range g.Case.Layout.Controllers {
				assert.Contains(t, heard, c.Name)
			}
			for _, guest := range p.Guests {
				assert.Contains(t, heard, guest.Name)
			}
			for _, row := range p.Day.Rows {
				for _, cell := range row.Cells {
					if cell.Came != nil {
						assert.Contains(t, heard, cell.Came.Text)
					}
				}
			}
		})
	}
}

// large is a host of 250 controllers and 200 guests.
func large() page.Given {
	survey, layout := invented.Large(1)
	return of(invented.Parted(survey), layout, "")
}

// Every page is valid HTML by the judgement of HTML Tidy.
func TestValid(t *testing.T) {
	if _, err := exec.LookPath("tidy"); err != nil {
		outside.Missing(t, "tidy: "+err.Error())
	}
	survey, layout := long()
	for name, file := range map[string]string{"day": put(t, day(t)), "large": put(t, large()), "long": put(t, of(survey, layout, ""))} {
		said, err := exec.Command("tidy", "-errors", "-quiet", "-utf8", "--drop-empty-elements", "no", file).CombinedOutput()
		assert.NoError(t, err, "%s: %.2000s", name, said)
	}
}
