package definition

import (
	"encoding/json"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"sync"

	"github.com/beevik/etree"

	"lendkeep/reconcile/facts"
)

// maxName is the longest name that is listed, in bytes; a path is never longer
// (Linux limits.h, PATH_MAX).
const maxName = 4096

// switches are values that name nothing of a host.
var switches = strings.Fields("yes no on off true false default auto none enabled disabled require required optional ignore raw qcow2")

var (
	plainNumber = sync.OnceValue(func() *regexp.Regexp { return regexp.MustCompile(`^-?(0x[0-9a-fA-F]+|[0-9]+)$`) })
	// pciAddress is an address of a PCI function as Linux and QEMU write it,
	// the segment left out or not.
	pciAddress = sync.OnceValue(func() *regexp.Regexp {
		return regexp.MustCompile(`(?:^|[^0-9a-zA-Z:.])((?:[0-9a-fA-F]{1,8}:)?[0-9a-fA-F]{1,2}:[0-9a-fA-F]{1,2}\.[0-7])(?:$|[^0-9a-zA-Z:.])`)
	})
	// hostPath is an absolute path inside other text.
	hostPath = sync.OnceValue(func() *regexp.Regexp {
		return regexp.MustCompile(`(?:^|[^0-9A-Za-z_./~-])((?:/[^/\s"'<>(){}\[\],;?&|\\]*)+)`)
	})
	mdevPath = sync.OnceValue(func() *regexp.Regexp { return regexp.MustCompile(`(?i)[0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12}`) })
)

// outside reads a value at a place that the table lacks, of an element that it
// has: a newer libvirt's, or no libvirt's at all.
func (r *reaching) outside(e *etree.Element, place, value string, inSource bool) {
	if slices.Contains(switches, value) || !inSource && plainNumber().MatchString(value) {
		return
	}
	r.unclear(e, place, value)
}

// stranger reads an element that the table lacks, with all that is in it.
func (r *reaching) stranger(e *etree.Element) {
	switched := len(e.Attr) > 0
	for _, a := range e.Attr {
		if isSpace(a) {
			continue
		}
		if !slices.Contains(switches, a.Value) {
			switched = false
			r.search(e, "@"+a.FullKey(), a.Value)
		}
	}
	words := allText(e)
	r.search(e, "", words)
	if !switched || words != "" {
		r.add(e, "", facts.Reach{Kind: facts.ReachUnclear, Name: shortened("<" + e.FullTag() + "> " + words)})
	}
	for c := range e.ChildElementsSeq() {
		r.stranger(c)
	}
}

// unclear lists what can be found in a value, and that there may be more.
func (r *reaching) unclear(e *etree.Element, place, value string) {
	if value == "" {
		return
	}
	r.search(e, place, value)
	r.add(e, place, facts.Reach{Kind: facts.ReachUnclear, Name: shortened(value)})
}

// search lists the paths and PCI addresses in a value of any form.
func (r *reaching) search(e *etree.Element, place, value string) {
	for _, name := range pathsIn(value) {
		if r.known[name] {
			continue
		}
		r.add(e, place, facts.Reach{Kind: facts.ReachPath, Name: name})
		if id := mdevPath().FindString(name); id != "" && strings.Contains(name, "mdev") {
			r.add(e, place, facts.Reach{Kind: facts.ReachMdev, Name: strings.ToLower(id)})
		}
	}
	for _, at := range addressesIn(value) {
		r.add(e, place, facts.Reach{Kind: facts.ReachPCI, Name: at.String()})
	}
}

// pathsIn gives the absolute paths in a value: of JSON each text that is one,
// of QEMU's options each value that is one (commas in it are doubled; QEMU
// qemu-option documentation) or has one behind a protocol, and what looks like one inside other text.
func pathsIn(value string) []string {
	var list []string
	add := func(name string) {
		if len(list) <= maxReaches && strings.HasPrefix(name, "/") && !slices.Contains(list, name) {
			list = append(list, name)
		}
	}
	for _, text := range textsIn(value) {
		add(text)
		for _, name := range pathsIn(text) {
			add(name)
		}
	}
	const comma = "\x00"
	for option := range strings.SplitSeq(strings.ReplaceAll(value, ",,", comma), ",") {
		option = strings.ReplaceAll(option, comma, ",")
		_, given, _ := strings.Cut(option, "=")
		_, behind, _ := strings.Cut(option, ":/")
		add(option)
		add(given)
		if behind != "" {
			add("/" + behind)
		}
	}
	for _, text := range []string{value, strings.NewReplacer("%2F", "/", "%2f", "/").Replace(value)} {
		for at := 0; ; {
			found := hostPath().FindStringSubmatchIndex(text[at:])
			if found == nil {
				break
			}
			name := text[at+found[2] : at+found[3]]
			add(name)
			before, _, _ := strings.Cut(name, ":") // "nbd:unix:/run/x:exportname=y"
			add(before)
			at += found[3]
		}
	}
	return list
}

// textsIn gives the texts in a JSON object that begins somewhere in a value, keys
// left out; nothing of what is none.
func textsIn(value string) []string {
	start := strings.IndexByte(value, '{')
	if start < 0 {
		return nil
	}
	value = value[start:]
	var parsed any
	if json.NewDecoder(strings.NewReader(value)).Decode(&parsed) != nil {
		return nil
	}
	var list []string
	var walk func(any)
	walk = func(v any) {
		switch v := v.(type) {
		case string:
			list = append(list, v)
		case []any:
			for _, item := range v {
				walk(item)
			}
		case map[string]any:
			for _, item := range v {
				walk(item)
			}
		}
	}
	walk(parsed)
	slices.Sort(list) // a map has no sequence
	return list
}

// addressesIn gives the PCI addresses in a value, of JSON those in each text too,
// where every character may be written by its number.
func addressesIn(value string) []facts.Address {
	var list []facts.Address
	for _, text := range textsIn(value) {
		list = append(list, addressesIn(text)...)
	}
	for at := 0; ; {
		found := pciAddress().FindStringSubmatchIndex(value[at:])
		if found == nil {
			return list
		}
		text := value[at+found[2] : at+found[3]]
		if strings.Count(text, ":") == 1 {
			text = "0:" + text
		}
		var segment, bus, slot, function uint32
		if _, err := fmt.Sscanf(text, "%x:%x:%x.%x", &segment, &bus, &slot, &function); err == nil && segment <= 0xffff && slot <= 31 && len(list) < maxReaches {
			list = append(list, facts.Address{Segment: uint16(segment), Bus: uint8(bus), Slot: uint8(slot), Function: uint8(function)})
		}
		at += found[3]
	}
}

// shortened makes a value fit to be told: its beginning, in one line.
func shortened(value string) string {
	const most = 200
	value = strings.Join(strings.Fields(strings.ToValidUTF8(value, "?")), " ")
	if len(value) <= most {
		return value
	}
	return strings.ToValidUTF8(value[:most], "") + " ..."
}
