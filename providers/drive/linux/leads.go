package linux

import (
	"errors"
	"fmt"
	"io/fs"
	"path"
	"strings"

	"lendkeep/reconcile/boots"
	"lendkeep/reconcile/facts"
)

// loader answers whether what is started is there.
func loader(o *offers) facts.Answer {
	a := facts.Answer{Question: facts.AsksLoader, Says: facts.Unknown}
	deciding := o.deciding()
	switch {
	case o.gap != "":
		a.Seen = o.gap
		return a
	case len(deciding) == 0 || deciding[0].bare:
		a.Seen = "no file of a loader that is known names a kernel"
		return a
	}
	a.Says, a.Where = facts.Present, deciding[0].from
	var seen []string
	for _, e := range deciding {
		says, why := e.leads()
		if says != facts.Present {
			seen = append(seen, why)
		}
		if says == facts.Absent && o.first < 0 { // another may be the one that is started
			says = facts.Unknown
		}
		if a.Says != facts.Absent && says != facts.Present {
			a.Says = says
		}
	}
	if a.Says == facts.Present {
		a.Seen = fmt.Sprintf("%.80q leads to %s", deciding[0].title(), strings.Join(append([]string{deciding[0].Kernel}, deciding[0].Initrds...), " and "))
		if len(deciding) > 1 {
			a.Seen += fmt.Sprintf(", and %d other entries to what is there too", len(deciding)-1)
		}
		return a
	}
	a.Seen = strings.Join(seen[:min(len(seen), 3)], "; ")
	return a
}

func (e offer) title() string {
	if e.Title != "" {
		return e.Title
	}
	return e.ID
}

// leads tells whether the files that an entry names are there.
func (e offer) leads() (facts.Held, string) {
	if e.Gap != "" {
		return facts.Unknown, fmt.Sprintf("%.80q: %s", e.title(), e.Gap)
	}
	for _, name := range append([]string{e.Kernel}, e.Initrds...) {
		n, err := e.at.find(name)
		switch {
		case errors.Is(err, fs.ErrNotExist) || err == nil && (n.mode != 0 || n.bytes == 0):
			return facts.Absent, fmt.Sprintf("%.80q names %.120q, which is not there or empty", e.title(), name)
		case err != nil:
			return facts.Unknown, err.Error()
		}
	}
	return facts.Present, ""
}

// release gives that of a kernel: by its own header (Linux Documentation/arch/x86/boot.rst,
// kernel_version), else by its name; empty: not known.
func release(n *node) string {
	name := strings.TrimPrefix(path.Base(n.path), "vmlinuz-")
	if r, err := n.v.tree.Open(n.number); err == nil {
		b := make([]byte, 0x210)
		if _, err := r.ReadAt(b, 0); err == nil && string(b[0x202:0x206]) == "HdrS" {
			text := make([]byte, 128)
			got, _ := r.ReadAt(text, int64(b[0x20e])+int64(b[0x20f])<<8+0x200) // shorter at the file's end
			words := strings.Fields(string(text[:got]))
			name = ""
			if len(words) > 0 {
				name = words[0]
			}
		}
	}
	if !boots.IsRelease(name) || name == path.Base(n.path) && !strings.ContainsAny(name, ".") {
		return ""
	}
	return name
}
