// Package guard decides, from a host's facts without libvirt's and from rules
// compiled from the layout, whether a guest may start, what must be unmounted
// before, and what is mounted when its controllers are back. It is pure; the
// program that libvirt calls acts on it. Start at Before and After.
package guard

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"path"
	"slices"
	"strings"
	"time"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/strict"
	"lendkeep/spec/place"
	"lendkeep/spec/uri"
)

// Format is the version of the rules file; the guard refuses another one.
const Format = 1

// maxBytes bounds a rules file: a layout of a hundred controllers and guests
// makes about 100 KB.
const maxBytes = 1 << 20

// Rules is what the guard of a host goes by.
type Rules struct {
	Format      int          `json:"format"`
	Libvirt     string       `json:"libvirt,omitempty"` // connection URI for the watch; empty: qemu:///system
	NeverLend   []string     `json:"never_lend"`        // NVMe serials
	Alarm       []string     `json:"alarm,omitempty"`   // program and arguments that the watch tells of alarms
	Controllers []Controller `json:"controllers"`
	Guests      []Guest      `json:"guests"`          // those that borrow something or live on a return mount
	Pools       []Pool       `json:"pools,omitempty"` // libvirt's, which the guard cannot ask for
}

// Pool is a storage pool of libvirt's with the folder that its volumes are in;
// empty where they are on other machines. One that does not tell where they are is
// in no rules.
type Pool struct {
	Name   string `json:"name"`
	Target string `json:"target,omitempty"`
}

// Controller is a controller by what it is, and what its return mounts. Model,
// SizeBytes and what mounts say of their partitions are as last seen at home;
// empty or 0: never seen.
type Controller struct {
	Identity facts.Identity `json:"record"`
	Slot     string         `json:"slot,omitempty"` // physical slot, where the layout states it
	// Subsystem (vendor:device) and DeviceSerial are of one that is known by its kind, as
	// last seen; empty: it did not say.
	Subsystem    string        `json:"subsystem,omitempty"`
	DeviceSerial string        `json:"device_serial,omitempty"`
	Model        string        `json:"model,omitempty"`
	SizeBytes    uint64        `json:"size_bytes,omitempty"` // of all its namespaces
	Shown        []Shown       `json:"shown,omitempty"`      // of one that has no serial, by each of its functions
	Within       time.Duration `json:"within_ns"`            // the layout's return limit
	OnFailure    string        `json:"on_failure"`           // "hold" or "alarm"
	Mounts       []Mount       `json:"mounts"`
	Keeps        []Partition   `json:"keeps"` // those of its partitions that are the host's own
}

// Partition is a partition by its GPT name, and by its GPT id once it was seen
// at home.
type Partition struct {
	Name string `json:"name"`
	ID   string `json:"id,omitempty"`
}

// Mount is a filesystem that the host has mounted while the controller is home.
type Mount struct {
	Partition   string   `json:"partition"` // GPT name
	PartitionID string   `json:"partition_id,omitempty"`
	FSType      string   `json:"fs_type,omitempty"`
	Path        string   `json:"path"`
	Options     []string `json:"options"`
}

// Guest is a guest of the layout.
type Guest struct {
	Name    string   `json:"name"`
	Borrows []string `json:"borrows"`  // names of controllers
	LivesOn []string `json:"lives_on"` // paths of mounts that hold its disks, or other files of its
}

// Encode writes the rules file. The same rules give the same bytes.
func (r Rules) Encode() string {
	var text bytes.Buffer
	encoder := json.NewEncoder(&text)
	encoder.SetEscapeHTML(false)
	encoder.SetIndent("", " ")
	if err := encoder.Encode(r); err != nil {
		panic(err) // rules are plain values
	}
	return text.String()
}

// ErrNoRules is that of a host that has no rules.
var ErrNoRules = errors.New("no rules of the guard are installed at " + facts.GuardRules)

// Installed gives the rules that a host has, which only root can have written.
func Installed(g facts.InstalledGuard) (Rules, error) {
	for _, gap := range g.Gaps {
		if gap.Path == facts.GuardRules {
			return Rules{}, fmt.Errorf("read rules %s: %s", gap.Path, gap.Reason)
		}
	}
	if g.Rules == "" {
		return Rules{}, ErrNoRules
	}
	return Decode(g.Rules)
}

// Decode reads a rules file strictly: another version, an unknown field,
// anything after the end, or a name that means nothing is an error.
func Decode(text string) (Rules, error) {
	var head struct {
		Format int `json:"format"`
	}
	if err := strict.ReadSome([]byte(text), maxBytes, &head); err != nil {
		return Rules{}, fmt.Errorf("read rules: %w", err)
	}
	if head.Format != Format {
		return Rules{}, fmt.Errorf("read rules: they are of version %d, this guard reads version %d", head.Format, Format)
	}
	var r Rules
	if err := strict.ReadWhole([]byte(text), maxBytes, &r); err != nil {
		return Rules{}, fmt.Errorf("read rules: %w", err)
	}
	if err := r.sound(); err != nil {
		return Rules{}, fmt.Errorf("read rules: %w", err)
	}
	return r, nil
}

// sound holds what every decision relies on.
func (r Rules) sound() error {
	if len(r.Alarm) > 0 && !path.IsAbs(r.Alarm[0]) {
		return fmt.Errorf("alarm %q is no absolute path", r.Alarm[0])
	}
	if wrong := uri.Wrong(r.Libvirt); r.Libvirt != "" && wrong != "" {
		return fmt.Errorf("libvirt %q: %s", r.Libvirt, wrong)
	}
	controllers, places, guests := map[string]bool{}, map[string]bool{}, map[string]bool{}
	for _, c := range r.Controllers {
		if name := c.Identity.Controller; name == "" || controllers[name] {
			return fmt.Errorf("controller %q has no name or is there twice", name)
		}
		controllers[c.Identity.Controller] = true
		if c.Identity.Whole() && c.Identity.Addresses()[0] != c.Identity.Address {
			return fmt.Errorf("controller %s: its functions do not begin with that at %s", c.Identity.Controller, c.Identity.Address)
		}
		if c.OnFailure != "hold" && c.OnFailure != "alarm" {
			return fmt.Errorf("controller %s: on_failure %q is neither hold nor alarm", c.Identity.Controller, c.OnFailure)
		}
		if err := SoundShown(c.Identity, c.Shown); err != nil {
			return fmt.Errorf("controller %s: %w", c.Identity.Controller, err)
		}
		for _, m := range c.Mounts {
			if wrong := place.Wrong(m.Path); wrong != "" {
				return fmt.Errorf("controller %s: mount at %q: %s", c.Identity.Controller, m.Path, wrong)
			}
			if places[m.Path] || m.Partition == "" {
				return fmt.Errorf("controller %s: mount at %q is not to be understood", c.Identity.Controller, m.Path)
			}
			if !facts.MountKind(m.FSType) {
				return fmt.Errorf("controller %s: %q is no kind of filesystem", c.Identity.Controller, m.FSType)
			}
			if slices.ContainsFunc(r.Alarm, func(word string) bool { return Within(word, m.Path) }) {
				return fmt.Errorf("alarm %q lies on %s, where guests write", r.Alarm[0], m.Path)
			}
			places[m.Path] = true
		}
	}
	pools := map[string]bool{}
	for _, p := range r.Pools {
		if p.Name == "" || pools[p.Name] || p.Target != "" && !path.IsAbs(p.Target) {
			return fmt.Errorf("pool %q at %q is not to be understood", p.Name, p.Target)
		}
		pools[p.Name] = true
	}
	for _, g := range r.Guests {
		if g.Name == "" || guests[g.Name] {
			return fmt.Errorf("guest %q has no name or is there twice", g.Name)
		}
		guests[g.Name] = true
		if name, unknown := firstNot(controllers, g.Borrows); unknown {
			return fmt.Errorf("guest %s borrows %q, which the rules do not know", g.Name, name)
		}
		if place, unknown := firstNot(places, g.LivesOn); unknown {
			return fmt.Errorf("guest %s lives on %q, which the rules do not know", g.Name, place)
		}
	}
	return nil
}

func firstNot(known map[string]bool, names []string) (string, bool) {
	i := slices.IndexFunc(names, func(name string) bool { return !known[name] })
	if i < 0 {
		return "", false
	}
	return names[i], true
}

// ByName gives the controllers by their names.
func (r Rules) ByName() map[string]*Controller {
	list := make(map[string]*Controller, len(r.Controllers))
	for i := range r.Controllers {
		list[r.Controllers[i].Identity.Controller] = &r.Controllers[i]
	}
	return list
}

// guest gives the guest of that name; one that the rules do not know borrows
// nothing and lives nowhere.
func (r Rules) guest(name string) Guest {
	i := slices.IndexFunc(r.Guests, func(g Guest) bool { return g.Name == name })
	if i < 0 {
		return Guest{Name: name}
	}
	return r.Guests[i]
}

// borrowers names the guests that may have each controller.
func (r Rules) borrowers() map[string][]string {
	list := map[string][]string{}
	for _, g := range r.Guests {
		for _, name := range g.Borrows {
			list[name] = append(list[name], g.Name)
		}
	}
	return list
}

// leaves says what the host assembles of a controller's drives.
func (c Controller) leaves() string {
	var names []string
	for _, p := range c.Keeps {
		names = append(names, p.Name)
	}
	if len(names) == 0 {
		return "udev leaves volumes on " + c.Identity.Controller + " alone"
	}
	return "udev leaves volumes on " + c.Identity.Controller + " alone, but for " + strings.Join(names, ", ")
}

// says gives what a card must say of itself to be lent; empty: nothing.
func (c Controller) says() string {
	var list []string
	if c.Subsystem != "" {
		list = append(list, "its subsystem is "+c.Subsystem)
	}
	if c.DeviceSerial != "" {
		list = append(list, "its device serial number is "+c.DeviceSerial)
	}
	return strings.Join(list, " and ")
}

// how tells what a mount is made with.
func (m Mount) how() string {
	how := m.Options
	if m.FSType != "" {
		how = append([]string{m.FSType}, how...)
	}
	if len(how) == 0 {
		return ""
	}
	return " (" + strings.Join(how, ", ") + ")"
}

// Sentences tells the rules to people, one line each: everything that the guard,
// udev and the watch will do by them.
func (r Rules) Sentences() []string {
	var list []string
	borrowers := r.borrowers()
	for _, serial := range r.NeverLend {
		list = append(list, serial+" is never lent")
	}
	for _, c := range r.Controllers {
		name := c.Identity.Controller
		if c.Identity.Serial != "" {
			name += " (" + c.Identity.Serial + ")"
		}
		if c.Identity.IsVirtual() {
			name += " (" + c.Identity.Virtual.String() + ")"
		}
		if names := borrowers[c.Identity.Controller]; len(names) > 0 {
			list = append(list, "only "+strings.Join(names, ", ")+" may borrow "+name, c.leaves())
			if says := c.says(); says != "" {
				list = append(list, name+" is lent while "+says)
			}
			if c.Identity.Whole() {
				list = append(list, name+" is lent as a whole, while its functions are "+c.Identity.Functions.String())
			}
			list = append(list, ShownWords(c.Identity, c.Shown)...)
		}
		for _, m := range c.Mounts {
			list = append(list, fmt.Sprintf("%s of %s is unmounted before a lend and mounted at %s after it%s", m.Partition, c.Identity.Controller, m.Path, m.how()))
		}
	}
	alarms := map[string]bool{} // by place
	for _, c := range r.Controllers {
		for _, m := range c.Mounts {
			alarms[m.Path] = c.OnFailure == "alarm"
		}
	}
	if len(r.Alarm) > 0 {
		list = append(list, "the command that is told of alarms, as root: "+strings.Join(r.Alarm, " "))
	}
	if r.Libvirt != "" {
		list = append(list, "the watch asks libvirt at "+r.Libvirt)
	}
	for _, g := range r.Guests {
		for _, place := range g.LivesOn {
			if alarms[place] {
				list = append(list, "a start of "+g.Name+" is logged when "+place+" is not mounted")
			} else {
				list = append(list, g.Name+" starts only while "+place+" is mounted")
			}
		}
	}
	return append(list, r.poolSentences()...)
}

// poolSentences tells of the pools that can matter: those of which a volume may
// lie on a mount of the rules.
func (r Rules) poolSentences() []string {
	var list []string
	for _, p := range r.Pools {
		for _, c := range r.Controllers {
			for _, m := range c.Mounts {
				if p.Target != "" && facts.Within(path.Clean(p.Target), m.Path) {
					list = append(list, "a guest with a volume of pool "+p.Name+" lives on "+m.Path)
				}
			}
		}
	}
	return list
}
