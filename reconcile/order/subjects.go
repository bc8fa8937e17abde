package order

import (
	"fmt"
	"slices"
	"strings"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/step"
)

// host notes what every order rests on: the machine, its kernel and libvirt.
func (r reader) host() {
	s := r.ix.Survey
	r.each("", *s)
	var pools []string
	for _, p := range s.Libvirt.Pools {
		pools = append(pools, sayOf(p))
	}
	r.add("pools", short(strings.Join(pools, "; ")))
	for _, d := range s.Descriptors {
		one(r, "firmware "+d.Image, r.ix.Image(d.Image))
	}
}

// pins notes which CPUs guests are pinned to: a map of CPUs keeps off them.
func (r reader) pins() {
	var list []string
	for i := range r.ix.Survey.Libvirt.Guests {
		g := &r.ix.Survey.Libvirt.Guests[i]
		for _, d := range g.Definitions() {
			if d.Pinned != "" {
				list = append(list, g.Name+" "+d.Pinned)
			}
		}
	}
	r.add("guests and their CPUs", short(strings.Join(list, "; ")))
}

// guest notes whether it runs, too, which matters for those that an order
// touches or a shift names.
func (r reader) guest(name string) {
	r.definition(name)
	g := r.ix.Guest(name)
	if g == nil {
		return
	}
	r.each("", *g)
	for _, d := range g.Definitions() {
		for _, disk := range d.Disks {
			r.chain(disk.Source)
		}
	}
	if g.Kept == nil || g.Kept.Boot.Firmware != "uefi" {
		return
	}
	if image, _ := r.ix.FirmwareOf(g.Kept.Boot); image != nil {
		one(r, "firmware "+image.Path, image)
	}
	for _, store := range []string{g.Kept.Boot.NVRAM, g.Kept.Boot.Template} {
		seen := r.ix.Store(store)
		if seen == nil {
			continue
		}
		r.each("variables "+store, *seen)
		if !g.Running {
			r.entries("variables "+store, seen)
		}
	}
}

// definition notes what a guest is at its next start.
func (r reader) definition(name string) {
	g := r.ix.Guest(name)
	if g == nil {
		r.add("existence", "")
		return
	}
	r.add("existence", g.UUID)
	if g.Kept != nil {
		r.add("definition", digest(strings.TrimSpace(g.Kept.XML)))
	}
}

// path notes where a path leads, and each image below it.
func (r reader) path(name string) { r.chain(name) }

func (r reader) chain(image string) {
	for range 64 {
		p := r.ix.Path(image)
		if p == nil {
			return
		}
		r.add("path "+image, short(sayOf(*p)))
		if image = p.Backing; image == "" {
			return
		}
	}
}

func (r reader) variables(name string) {
	if store := r.ix.Store(name); store != nil {
		r.add("sha256", store.SHA256)
		r.entries("", store)
	}
}

func (r reader) entries(prefix string, store *facts.VariableStore) {
	next := ""
	if store.Next != nil {
		next = fmt.Sprint(*store.Next)
	}
	var list []string
	for _, e := range store.Entries {
		list = append(list, sayOf(e))
	}
	r.add(strings.TrimSpace(prefix+" entries"), short(strings.Join(list, "; ")))
	r.add(strings.TrimSpace(prefix+" next"), next)
}

// image notes what an image is. While a guest that has it runs, its bytes change
// all the time; how it then stands is asked when it is copied.
func (r reader) image(name string) {
	r.chain(name)
	content := r.ix.Content(name)
	if content == nil {
		r.add("content", "")
		return
	}
	seen, runs := *content, []string{}
	for i := range r.ix.Survey.Libvirt.Guests {
		if g := &r.ix.Survey.Libvirt.Guests[i]; g.Running && r.ix.Has(g, name) {
			runs = append(runs, g.Name)
		}
	}
	r.add("running guests", strings.Join(runs, ", "))
	if len(runs) > 0 {
		seen.Stamp, seen.Volumes, seen.Gaps, seen.System = "", nil, nil, nil
	}
	r.each("", seen)
}

// question notes what is known of a question about the system in an image, where
// nobody is asked for it because of that.
func (r reader) question(name string) {
	question, image := step.QuestionOf(name)
	sight := r.ix.SystemIn(image)
	a := sight.Answer(question)
	says := string(a.Says)
	if a.Mendable {
		says += ", and can be mended on a copy"
	}
	r.add("answer", says)
	r.add("system", sight.Kind())
}

func (r reader) mount(place string) {
	var below []string
	for i := range r.ix.Survey.Mounts {
		if m := &r.ix.Survey.Mounts[i]; m.Elsewhere == "" && strings.HasPrefix(m.Path, strings.TrimSuffix(place, "/")+"/") {
			below = append(below, m.Path)
		}
	}
	slices.Sort(below)
	r.add("mounts below", short(strings.Join(below, ", ")))
	m := r.ix.MountAt(place)
	if m == nil {
		r.add("device", "")
		return
	}
	r.add("device", m.Devno.String())
	r.each("", *m)
}
