package order

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strings"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/step"
)

// Reliance is one fact of the survey that the order was written on.
type Reliance struct {
	Of    string `json:"of"` // "guest grading", "controller reel", "mount /srv/shelf"
	Fact  string `json:"fact"`
	Value string `json:"value"`
}

// Change is a fact that is no longer what the order relies on.
type Change struct {
	Reliance
	Now string
}

// String tells the change by name.
func (c Change) String() string {
	return fmt.Sprintf("%s of %s was %s, is %s", c.Fact, c.Of, orNone(c.Value), orNone(c.Now))
}

func orNone(value string) string {
	if value == "" {
		return "none"
	}
	return value
}

// Changes reads the facts that an order relies on again and gives those that
// changed.
func (o Order) Changes(ix *facts.Index) []Change {
	subjects := map[string]bool{}
	for _, r := range o.Relies {
		subjects[r.Of] = true
	}
	now := map[string]string{}
	for _, r := range rely(ix, subjects, o.Controllers) {
		now[r.Of+"\x00"+r.Fact] = r.Value
	}
	var list []Change
	for _, r := range o.Relies {
		if value := now[r.Of+"\x00"+r.Fact]; value != r.Value {
			list = append(list, Change{r, value})
		}
	}
	return list
}

func subjectsOf(steps []step.Written) map[string]bool {
	subjects := map[string]bool{}
	for _, s := range steps {
		for _, f := range append(s.Step.Needs(), s.Step.Gives()...) {
			subjects[f.Of] = true
		}
	}
	return subjects
}

// rely reads the facts about each subject, in one fixed sequence.
func rely(ix *facts.Index, subjects map[string]bool, controllers []facts.Record) []Reliance {
	list := []Reliance{}
	records := map[string]facts.Record{}
	for _, r := range controllers {
		records[r.Controller] = r
	}
	for _, of := range slices.Sorted(maps.Keys(subjects)) {
		what, name, _ := strings.Cut(of, " ")
		add := func(fact, value string) { list = append(list, Reliance{of, fact, value}) }
		switch what {
		case "guard":
			add("hook", digest(ix.Survey.Guard.Hook))
			add("rules", digest(ix.Survey.Guard.Rules))
			add("udev rules", digest(ix.Survey.Guard.Udev))
		case "watch":
			add("unit", digest(ix.Survey.Watch.Unit))
			add("start with the host", fmt.Sprint(ix.Survey.Watch.Enabled))
		case "guest":
			relyGuest(ix.Guest(name), add)
			relyFirmware(ix, ix.Guest(name), add)
		case "rom":
			if placed := ix.ROM(name); placed != nil {
				add("content", placed.Driver+placed.Why)
			} else {
				add("content", "")
			}
		case "shim":
			if placed := ix.Shim(name); placed != nil {
				add("content", fmt.Sprintf("%s %s %+v %s%s", placed.Driver, placed.Shell, placed.From, placed.Loader, placed.Why))
			} else {
				add("content", "")
			}
		case "variables":
			if store := ix.Store(name); store != nil {
				add("content", store.SHA256)
			}
		case "firmware":
			if image := ix.Image(name); image != nil {
				add("content", image.SHA256)
			}
		case "drive":
			if r, known := records[name]; known {
				relyDrive(ix, r, add)
			}
		case "image":
			relyImage(ix, name, add)
		case "mount":
			relyMount(ix, name, add)
		case "controller":
			if r, known := records[name]; known {
				relyController(ix, r, add)
			}
		}
	}
	return list
}

func relyGuest(g *facts.Guest, add func(fact, value string)) {
	if g == nil {
		add("existence", "")
		return
	}
	add("existence", g.UUID)
	add("condition", g.Condition)
	add("autostart", fmt.Sprint(g.Autostart))
	if g.Kept != nil {
		add("definition", digest(g.Kept.XML))
	}
}

// digest stands for a whole text; none for an empty one.
func digest(text string) string {
	if text == "" {
		return ""
	}
	sum := sha256.Sum256([]byte(text))
	return "sha256 " + hex.EncodeToString(sum[:])
}

// relyFirmware notes what the guest starts with: another image of the same name
// may lack a driver.
func relyFirmware(ix *facts.Index, g *facts.Guest, add func(fact, value string)) {
	if g == nil || g.Kept == nil || g.Kept.Boot.Firmware != "uefi" {
		return
	}
	if image, _ := ix.FirmwareOf(g.Kept.Boot); image != nil {
		add("firmware "+image.Path, image.SHA256)
	}
}

// relyDrive notes all that was read of what a controller's drives hold.
func relyDrive(ix *facts.Index, r facts.Record, add func(fact, value string)) {
	_, f, _ := ix.Where(r)
	if f == nil {
		return
	}
	for _, drive := range ix.Drives(f.Address) {
		if content := ix.Content(drive.Name); content != nil {
			add("content", digestOf(content))
		}
	}
}

// relyImage notes what an image is. How its filesystems were left changes while
// a guest runs, and is asked when it is copied.
func relyImage(ix *facts.Index, path string, add func(fact, value string)) {
	content := ix.Content(path)
	if content == nil {
		add("content", "")
		return
	}
	add("format", content.Format)
	add("size in bytes", fmt.Sprint(content.SizeBytes))
	add("partition table", digestOf(content.Table))
}

// digestOf stands for a value.
func digestOf(value any) string {
	content, err := json.Marshal(value)
	if err != nil {
		panic(err) // facts are plain values
	}
	return digest(string(content))
}

func relyMount(ix *facts.Index, path string, add func(fact, value string)) {
	if m := ix.MountAt(path); m != nil {
		add("device", m.Devno.String())
		add("options", strings.Join(m.Options, ","))
		return
	}
	add("device", "")
}

func relyController(ix *facts.Index, r facts.Record, add func(fact, value string)) {
	where, f, holder := ix.Where(r)
	add("place", string(where))
	if holder != nil {
		add("holder", holder.Name)
	}
	if f == nil {
		return
	}
	add("address", f.Address.String())
	add("driver", f.Driver)
	if f.Group != nil {
		var members []string
		for _, m := range ix.Group(*f.Group) {
			members = append(members, m.Address.String()+" "+orNone(m.Driver))
		}
		add("IOMMU group", strings.Join(members, ", "))
	}
	var uses, parts []string
	for _, u := range ix.LiveUses(f.Address) {
		if u.Kind == facts.UseProcess {
			continue // comes and goes under other numbers; asked again right before each deed
		}
		uses = append(uses, u.String())
	}
	add("use by the host", strings.Join(uses, ", "))
	for _, drive := range ix.Drives(f.Address) {
		for _, part := range ix.Partitions(drive.Name) {
			if part.Partition != nil {
				parts = append(parts, part.Partition.ID)
			}
		}
	}
	add("partitions", strings.Join(parts, ", "))
}
