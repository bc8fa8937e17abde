package spec

import (
	"bytes"
	"strings"

	"github.com/hashicorp/hcl/v2/hclwrite"

	"lendkeep/spec/plain"
)

// Part is a piece of a layout file that is written: a comment, and below it the
// blocks that are set. A zero field of a block states nothing.
type Part struct {
	Remarks    []string // each begins a line; empty: no comment
	Host       *Host
	Controller *Controller
	Guest      *Guest
	Shift      *Shift
	Out        bool // the blocks stand in a comment too: between /* and */
}

// Write gives the text of a layout file in canonical form. Of a block it writes
// what a layout of a host as it is needs: name and connection of the host;
// identity, partitions and mounts of a controller; of a guest what it borrows and
// boots from, processors, memory and images; the guests of a shift. Says tells
// whether anything of that, or anything else that is stated, would be lost.
func Write(parts []Part) []byte {
	var pieces [][]byte
	for _, p := range parts {
		pieces = append(pieces, p.write())
	}
	return hclwrite.Format(bytes.Join(pieces, []byte("\n")))
}

func (p Part) write() []byte {
	var text bytes.Buffer
	for _, remark := range p.Remarks {
		for _, line := range wrapped(remark) {
			text.WriteString(strings.TrimRight("# "+line, " ") + "\n")
		}
	}
	source := p.blocks()
	if p.Out {
		// In a text both are the same; here the first would end the comment.
		source = bytes.ReplaceAll(hclwrite.Format(source), []byte("*/"), []byte(`*\u002f`))
		source = append(append([]byte("/*\n"), source...), "*/\n"...)
	}
	text.Write(source)
	return text.Bytes()
}

// commentWidth is what most terminals show beside an editor's line numbers.
const commentWidth = 76

// wrapped cuts a remark into lines of a comment in which nothing acts. What goes on
// of a point of a list stands below its text.
func wrapped(remark string) []string {
	var lines []string
	line, below := "", ""
	if strings.HasPrefix(remark, "- ") {
		below = "  "
	}
	for word := range strings.FieldsSeq(plain.Shown(remark)) {
		switch {
		case line == "":
			line = word
		case len(line)+1+len(word) > commentWidth:
			lines = append(lines, line)
			line = below + word
		default:
			line += " " + word
		}
	}
	return append(lines, line)
}

func (p Part) blocks() []byte {
	file := hclwrite.NewEmptyFile()
	w := writer{file.Body()}
	if p.Host != nil {
		w.host(p.Host)
	}
	if p.Controller != nil {
		w.controller(p.Controller)
	}
	if p.Guest != nil {
		w.guest(p.Guest)
	}
	if p.Shift != nil {
		w.shift(p.Shift)
	}
	return file.Bytes()
}
