package page

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"slices"
	"strings"

	"lendkeep/reconcile/facts"
	"lendkeep/spec"
)

// The IDs of places come from what the things are called, so that a page of the same
// host with one more card differs in that card alone.
const hostID = "host"

func functionID(at facts.Address) string {
	return "pci-" + strings.ReplaceAll(at.String(), ":", "-")
}

func guestID(name string) string      { return "guest-" + coded(name) }
func lostID(controller string) string { return "lost-" + coded(controller) }
func shiftID(name string) string      { return "shift-" + coded(name) }
func findingID(number int) string     { return fmt.Sprintf("finding-%d", number) }
func stepID(number int) string        { return fmt.Sprintf("step-%d", number) }

// longestCoded is how many bytes of a name an ID has; what is longer goes by its sum.
const longestCoded = 100

// coded writes a name with nothing in it that could mean anything in an ID or a link:
// letters and digits of ASCII and the hyphen stay, every other byte is written by its
// number, so two names are never one.
func coded(name string) string {
	if len(name) > longestCoded {
		sum := sha256.Sum256([]byte(name))
		return coded(name[:longestCoded]) + "_-" + hex.EncodeToString(sum[:8])
	}
	var made strings.Builder
	for i := range len(name) {
		switch b := name[i]; {
		case b >= 'a' && b <= 'z', b >= 'A' && b <= 'Z', b >= '0' && b <= '9', b == '-':
			made.WriteByte(b)
		default:
			fmt.Fprintf(&made, "_%02x", b)
		}
	}
	return made.String()
}

// statement is a block of the layout and the places of the page that it is about.
type statement struct {
	at spec.Place
	to []Mention
}

// statements lists the layout's blocks by file, each file from its top.
func (d *drawing) statements() map[string][]statement {
	byFile := map[string][]statement{}
	add := func(at spec.Place, to ...Mention) {
		if len(to) == 0 {
			to = []Mention{d.hostMention()}
		}
		byFile[at.File] = append(byFile[at.File], statement{at, to})
	}
	layout := d.c.Layout
	add(layout.Host.At)
	for _, c := range layout.Controllers {
		add(c.At, d.controller(c.Name))
	}
	users := map[string][]Mention{}
	for _, g := range layout.Guests {
		add(g.At, d.guestMention(g.Name))
		if g.Shim != nil {
			users[g.Shim.Name] = append(users[g.Shim.Name], d.guestMention(g.Name))
		}
	}
	for _, s := range layout.Shims {
		add(s.At, users[s.Name]...)
	}
	for _, s := range layout.Shifts {
		add(s.At, Mention{"shift " + s.Name, shiftID(s.Name)})
	}
	for _, list := range byFile {
		slices.SortStableFunc(list, func(a, b statement) int { return compare(a.at, b.at) })
	}
	return byFile
}

// about gives the places that a line of the layout is about: those of the block that
// it stands in, which is the last one that begins before it.
func (d *drawing) about(at spec.Place) []Mention {
	if d.stated == nil {
		d.stated = d.statements()
	}
	list := d.stated[at.File]
	n := len(list)
	for n > 0 && compare(list[n-1].at, at) > 0 {
		n--
	}
	if at.File == "" || n == 0 {
		return []Mention{d.hostMention()}
	}
	return list[n-1].to
}

// compare tells which of two places of one file comes first.
func compare(a, b spec.Place) int {
	if a.Line != b.Line {
		return a.Line - b.Line
	}
	return a.Column - b.Column
}
