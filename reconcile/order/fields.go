package order

import (
	"crypto/sha256"
	"encoding"
	"encoding/hex"
	"fmt"
	"reflect"
	"regexp"
	"slices"
	"strings"
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
	"Survey.Contents":    "by controller and by image",
	"Survey.Confirmed":   "steps by hand are asked for and checked when they come",
	"Machine.ID":         "orders of another machine are refused as such",
	"Pages.Free":         "changes with every guest that starts",
	"Gap.Path":           "may name a process",
	"Gap.Reason":         "may name a process",
	"Pool.Active":        "as uses of controllers",
	"Virtualization.URI": "how libvirt is reached; the order names that itself",

	"Virtualization.Guests": "by guest, and as uses of controllers",
	"Virtualization.Pools":  "by their folders, and as uses of controllers",

	"Function.PowerState": "the kernel lets idle functions sleep",
	"Function.Asked":      "nothing is lent until the kernel was asked, whatever the order says",
	"Function.Link":       "idle links slow down; nothing is planned by speed",
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
	for _, f := range reflect.VisibleFields(v.Type()) {
		if f.Anonymous || passing[owner(v.Type(), f)+"."+f.Name] != "" {
			continue
		}
		value := v.FieldByIndex(f.Index)
		name := strings.TrimSpace(prefix + " " + label(f))
		if inner := reflect.Indirect(value); inner.IsValid() && inner.Kind() == reflect.Struct && !textual(inner) {
			r.fields(name, inner)
			continue
		}
		if text := told(value); text != "" {
			r.add(name, short(text))
		}
	}
}

// owner names the type that declares a field, an embedded one too.
func owner(t reflect.Type, f reflect.StructField) string {
	for _, i := range f.Index[:len(f.Index)-1] {
		t = t.Field(i).Type
	}
	return t.Name()
}

// label is a field's name for people: that of its JSON key.
func label(f reflect.StructField) string {
	key, _, _ := strings.Cut(f.Tag.Get("json"), ",")
	if key == "" {
		key = f.Name
	}
	return strings.ReplaceAll(key, "_", " ")
}

// told gives a value in words, without what passes; empty for what is empty.
func told(v reflect.Value) string {
	if v.IsZero() && v.Kind() != reflect.Bool {
		return ""
	}
	if v = reflect.Indirect(v); textual(v) {
		return fmt.Sprint(v.Interface())
	}
	var list []string
	switch v.Kind() {
	case reflect.Slice:
		for i := range v.Len() {
			list = append(list, told(v.Index(i)))
		}
		return strings.Join(slices.Compact(list), "; ")
	case reflect.Struct:
		for _, f := range reflect.VisibleFields(v.Type()) {
			if f.Anonymous || passing[owner(v.Type(), f)+"."+f.Name] != "" {
				continue
			}
			if v.FieldByIndex(f.Index).IsZero() {
				continue
			}
			if text := told(v.FieldByIndex(f.Index)); text != "" {
				list = append(list, label(f)+" "+text)
			}
		}
		return strings.Join(list, ", ")
	default:
		return fmt.Sprint(v.Interface())
	}
}

func sayOf(fact any) string { return told(reflect.ValueOf(fact)) }

// textual tells whether a value says itself in one word: an address, a time.
func textual(v reflect.Value) bool {
	_, is := v.Interface().(encoding.TextMarshaler)
	return is
}

// longest is how much of a value an order holds; what is longer or has more than
// one line stands there by its digest.
const longest = 400

func short(text string) string {
	if text = processes.ReplaceAllString(text, ""); len(text) > longest || strings.Contains(text, "\n") {
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
