package order

import (
	"bytes"
	"cmp"
	"crypto/sha256"
	"encoding"
	"encoding/hex"
	"fmt"
	"reflect"
	"regexp"
	"strings"
	"sync"
)

// passing lists the fields of facts that an order does not rely on as such, each
// with the reason. Whatever is not here is relied on, so a new fact is by
// default.
var passing = map[string]string{
	"Survey.Format":      "surveys of another version are not read",
	"Survey.TakenAt":     "a time",
	"Survey.Functions":   "by controller, with what is around it",
	"Survey.Blocks":      "by controller",
	"Survey.Mounts":      "by place, and as uses of controllers",
	"Survey.Swaps":       "as uses of controllers",
	"Survey.Paths":       "by guest and by path",
	"Survey.Guard":       "a subject of its own",
	"Survey.Watch":       "a subject of its own",
	"Survey.Firmware":    "by guest, descriptor and donor: which others are looked at depends on who asks",
	"Survey.Stores":      "by guest",
	"Survey.ROMs":        "by path",
	"Survey.Shims":       "by path",
	"Survey.Rooms":       "by the image that is made",
	"Survey.Contents":    "by controller and by image",
	"Survey.Sessions":    "comes and goes",
	"Survey.Asked":       "by question, where nobody is asked because of the answer",
	"Installed.AskedAt":  "a time",
	"Survey.Confirmed":   "steps by hand are asked for and checked when they come",
	"Machine.ID":         "orders of another machine are refused as such",
	"Pages.Free":         "changes with every guest that starts",
	"Pages.Promised":     "likewise",
	"Pages.Surplus":      "comes and goes with guests",
	"Node.FreeBytes":     "changes all the time",
	"Topology.PageSize":  "the kernel's command line decides it, which is relied on",
	"Gap.Path":           "may name a process",
	"Gap.Reason":         "may name a process",
	"Pool.Active":        "as uses of controllers",
	"Virtualization.URI": "how libvirt is reached; the order names that itself",
	"Offers.Why":         "words about what is not known",

	"Virtualization.Guests": "by guest, and as uses of controllers",
	"Virtualization.Pools":  "by their folders, and as uses of controllers",
	"Virtualization.Offers": "a subject of its own, of orders that make a guest",
	"Virtualization.Cells":  "a second opinion; what the kernel says is relied on",

	"Machine.VFIO":        "shows only while the modules are loaded, which a lend does",
	"Machine.LimitBytes":  "comes with the first guest that runs",
	"Function.Express":    "why a group is as it is; the group is what counts",
	"Function.ACS":        "likewise",
	"Function.PowerState": "the kernel lets idle functions sleep",
	"Function.Shows":      "follows from its driver, which is relied on",
	"Function.Asked":      "nothing is lent until the kernel was asked, whatever the order says",
	"Function.Link":       "idle links slow down; nothing is planned by speed",
	"Interface.Addresses": "come and go; one that has any counts as a use",
	"Interface.Passing":   "likewise",
	"Interface.Routes":    "likewise; one that is up counts as a use",
	"Built.Addresses":     "likewise",
	"Function.Attached":   "what may be in use there counts as a use; who has it open comes and goes",
	"NVMe.Name":           "a kernel name, moves between boots",
	"Namespace.Block":     "a kernel name, moves between boots",
	"Block.Name":          "a kernel name, moves between boots",
	"Block.Devno":         "a number, moves between boots",
	"Block.Controller":    "blocks are read by controller",
	"Block.Whole":         "a kernel name, moves between boots",
	"Block.Links":         "what they lead to counts as a use",
	"Block.Holders":       "as uses",
	"Block.Exclusive":     "whoever holds it counts as a use",
	"Block.Openers":       "processes come and go; each step looks for them itself",
	"Mount.Elsewhere":     "names a process; other namespaces' mounts count as uses",
	"Mount.Devices":       "kernel names, move between boots",

	"Content.Of":         "of a drive a kernel name, of an image what is asked by",
	"Content.DataBytes":  "changes as the image is written, which its stamp tells",
	"Room.FreeBytes":     "comes and goes; the step asks right before it writes",
	"Volume.Why":         "words about the condition",
	"Guest.UUID":         "as existence",
	"Guest.Kept":         "its text is relied on, and what was read of it is in that",
	"Guest.Live":         "changes while the guest runs; what is lent to it is relied on by controller",
	"Definition.XML":     "by its digest",
	"VariableStore.Path": "what is asked by",

	"VariableStore.SHA256":  "guests write their variables; an order that writes some relies on it",
	"VariableStore.Entries": "guests write them; relied on while the guest is off",
	"VariableStore.Next":    "guests write it; relied on while the guest is off",
}

// each notes every field of a fact under its name, those of structs in it under
// both names; what is empty is not noted.
func (r reader) each(prefix string, fact any) { r.fields(prefix, reflect.ValueOf(fact)) }

// one notes a fact that may not be there.
func one[T any](r reader, prefix string, fact *T) {
	r.add(strings.TrimSpace(prefix+" existence"), fmt.Sprint(fact != nil))
	if fact != nil {
		r.each(prefix, *fact)
	}
}

func (r reader) fields(prefix string, v reflect.Value) {
	for _, f := range fieldsOf(v.Type()) {
		value := v.FieldByIndex(f.index)
		name := strings.TrimSpace(prefix + " " + f.label)
		if inner := reflect.Indirect(value); inner.IsValid() && inner.Kind() == reflect.Struct && !textual(inner.Type()) {
			r.fields(name, inner)
			continue
		}
		if text := told(nil, value); len(text) > 0 {
			r.add(name, short(string(text)))
		}
	}
}

// field is one that orders rely on.
type field struct {
	index []int
	label string // for people: that of its JSON key
}

// known keeps the fields of each type, since reflection is slow.
var known sync.Map

// fieldsOf gives the fields of a type that do not pass, those of embedded
// structs included.
func fieldsOf(t reflect.Type) []field {
	if list, there := known.Load(t); there {
		return list.([]field)
	}
	var list []field
	for _, f := range reflect.VisibleFields(t) {
		if f.Anonymous || passing[owner(t, f)+"."+f.Name] != "" {
			continue
		}
		key, _, _ := strings.Cut(f.Tag.Get("json"), ",")
		list = append(list, field{f.Index, strings.ReplaceAll(cmp.Or(key, f.Name), "_", " ")})
	}
	known.Store(t, list)
	return list
}

// owner names the type that declares a field, an embedded one too.
func owner(t reflect.Type, f reflect.StructField) string {
	for _, i := range f.Index[:len(f.Index)-1] {
		t = t.Field(i).Type
	}
	return t.Name()
}

func sayOf(fact any) string { return string(told(nil, reflect.ValueOf(fact))) }

// told adds a value in words, without what passes; nothing for what is empty.
func told(text []byte, v reflect.Value) []byte {
	if v.IsZero() && v.Kind() != reflect.Bool {
		return text
	}
	v = reflect.Indirect(v)
	switch {
	case textual(v.Type()):
		return fmt.Append(text, v.Interface())
	case v.Kind() == reflect.Slice:
		return toldList(text, v)
	case v.Kind() == reflect.Struct:
		return toldFields(text, v)
	case v.Kind() == reflect.String:
		return append(text, v.String()...)
	default:
		return fmt.Append(text, v.Interface())
	}
}

// toldList tells entries that read the same, one after the other, once.
func toldList(text []byte, v reflect.Value) []byte {
	var last []byte
	for i := range v.Len() {
		if entry := told(nil, v.Index(i)); i == 0 || !bytes.Equal(entry, last) {
			if i > 0 {
				text = append(text, "; "...)
			}
			text, last = append(text, entry...), entry
		}
	}
	return text
}

func toldFields(text []byte, v reflect.Value) []byte {
	start := len(text)
	for _, f := range fieldsOf(v.Type()) {
		value := v.FieldByIndex(f.index)
		if value.IsZero() {
			continue
		}
		before := len(text)
		if before > start {
			text = append(text, ", "...)
		}
		text = append(append(text, f.label...), ' ')
		said := len(text)
		if text = told(text, value); len(text) == said {
			text = text[:before]
		}
	}
	return text
}

var words = reflect.TypeFor[encoding.TextMarshaler]()

// textual tells whether values of a type say themselves in one word: an address,
// a time.
func textual(t reflect.Type) bool { return t.Implements(words) }

// longest is how much of a value an order holds; what is longer or has more than
// one line stands there by its digest.
const longest = 400

func short(text string) string {
	if strings.Contains(text, "(pid ") {
		text = processes.ReplaceAllString(text, "")
	}
	if len(text) > longest || strings.Contains(text, "\n") {
		return digest(text)
	}
	return text
}

// processes are named by number, which changes with each.
var processes = regexp.MustCompile(` ?\(pid \d+\)`)

// digest stands for a whole text; none for an empty one.
func digest(text string) string {
	if text == "" {
		return ""
	}
	sum := sha256.Sum256([]byte(text))
	return "sha256 " + hex.EncodeToString(sum[:])
}
