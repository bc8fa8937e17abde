package definition

import (
	"fmt"
	"slices"
	"strings"

	"github.com/beevik/etree"

	"lendkeep/reconcile/facts"
)

// Folders that libvirt uses without a word of the definition (libvirt 9.0
// src/qemu/qemu_conf.c: swtpmStorageDir, memoryBackingDir, libDir, logDir). Some
// can be set otherwise in qemu.conf, which is not read.
const (
	tpmFolder    = "/var/lib/libvirt/swtpm"
	memoryFolder = "/var/lib/libvirt/qemu/ram"
)

// ownFolders hold sockets, firmware variables and logs of every guest of QEMU's.
var ownFolders = []string{"/var/lib/libvirt/qemu", "/var/log/libvirt/qemu"}

// maxReaches is how many things a definition may name that are listed; a guest
// with more is told to use more than can be read. Common practice is below 50.
const maxReaches = 1000

// reaching walks a definition beside the table.
type reaching struct {
	taken map[*etree.Element]bool // addresses that are Hostdevs already
	known map[string]bool         // paths that are Disks already
	seen  map[facts.Reach]bool    // without the place
	list  []facts.Reach
}

// readReaches lists what a definition uses of the host besides what is in
// Hostdevs and Disks, which must have been read.
func readReaches(guest *etree.Element, d *facts.Definition, taken map[*etree.Element]bool) {
	r := reaching{taken: taken, known: map[string]bool{}, seen: map[facts.Reach]bool{}}
	for _, disk := range d.Disks {
		if strings.HasPrefix(disk.Source, "/") {
			r.known[disk.Source] = true
		}
	}
	r.element(guest, []*node{table()})
	d.Reaches = r.list
}

// element reads what stands at an element that the table has; above are the
// table's elements on the way to it and itself.
func (r *reaching) element(e *etree.Element, above []*node) {
	n := above[len(above)-1]
	if n == table().children["metadata"] {
		return
	}
	r.compound(e, above)
	for _, a := range e.Attr {
		if isSpace(a) {
			continue
		}
		how, known := n.place(a.Key)
		if !known || a.Space != "" {
			r.outside(e, "@"+a.FullKey(), a.Value, inSource(above))
			continue
		}
		r.value(e, "@"+a.Key, a.Value, how)
	}
	if words := allText(e); words != "" {
		if how, known := n.place("."); known {
			r.value(e, "", words, how)
		} else {
			r.outside(e, "", words, inSource(above))
		}
	}
	for c := range e.ChildElementsSeq() {
		if below := under(above, tagOf(c)); below != nil {
			r.element(c, below)
		} else {
			r.stranger(c)
		}
	}
}

// under gives the way to a child. An image below an image, and the source of
// either, is read as the first of its kind is.
func under(above []*node, tag string) []*node {
	if c := above[len(above)-1].children[tag]; c != nil {
		return append(above[:len(above):len(above)], c)
	}
	for i := len(above) - 1; i > 0; i-- {
		if above[i].tag == tag {
			return above[:i+1]
		}
	}
	return nil
}

// value reads what stands at a place of the table.
func (r *reaching) value(e *etree.Element, place, value string, how how) {
	switch how {
	case used, looked:
		r.path(e, place, value, how == looked)
	case card:
		r.add(e, place, facts.Reach{Kind: facts.ReachCard, Name: value})
	case network:
		r.add(e, place, facts.Reach{Kind: facts.ReachNetwork, Name: value})
	case unclear:
		r.unclear(e, place, value)
	}
}

// path takes the absolute path of something; QEMU gives other names a meaning
// of their own ("json:{...}", "nbd:unix:/run/x"), so they are searched.
func (r *reaching) path(e *etree.Element, place, value string, readOnly bool) {
	switch {
	case value == "" || r.known[value]:
	case strings.HasPrefix(value, "/"):
		r.add(e, place, facts.Reach{Kind: facts.ReachPath, Name: value, ReadOnly: readOnly})
	default:
		r.unclear(e, place, value)
	}
}

// add lists a thing once; of a path that is written too, the writing counts.
func (r *reaching) add(e *etree.Element, place string, reach facts.Reach) {
	if len(reach.Name) > maxName {
		reach = facts.Reach{Kind: facts.ReachUnclear, Name: shortened(reach.Name)}
	}
	if r.seen[reach] || reach.ReadOnly && r.seen[facts.Reach{Kind: reach.Kind, Name: reach.Name}] {
		return
	}
	switch {
	case len(r.list) > maxReaches:
		return
	case len(r.list) == maxReaches:
		reach = facts.Reach{Kind: facts.ReachUnclear, Name: fmt.Sprintf("more than %d things of the host", maxReaches)}
	}
	r.seen[reach] = true
	reach.At = strings.TrimPrefix(placeOf(e)+"/"+place, "/")
	reach.At = strings.TrimSuffix(reach.At, "/")
	r.list = append(r.list, reach)
}

// placeOf gives the names of the elements below <domain> down to one.
func placeOf(e *etree.Element) string {
	var list []string
	for ; e != nil && e.Parent() != nil && e.Parent().Parent() != nil; e = e.Parent() {
		list = append(list, e.FullTag())
	}
	slices.Reverse(list)
	return shortened(strings.Join(list, "/"))
}

// inSource tells whether an element belongs to what leads to the host.
func inSource(above []*node) bool {
	for _, n := range above {
		if n.tag == "source" {
			return true
		}
	}
	return false
}

// tagOf gives the name of an element as the table has it.
func tagOf(e *etree.Element) string {
	if e.Space == "" {
		return e.Tag
	}
	if prefix, known := spaces[e.NamespaceURI()]; known {
		return prefix + ":" + e.Tag
	}
	return e.FullTag()
}

func isSpace(a etree.Attr) bool { return a.Space == "xmlns" || a.Space == "" && a.Key == "xmlns" }

// allText gives all text in an element, which comments may part.
func allText(e *etree.Element) string {
	var text strings.Builder
	for _, token := range e.Child {
		if c, is := token.(*etree.CharData); is {
			text.WriteString(c.Data)
		}
	}
	return strings.TrimSpace(text.String())
}
