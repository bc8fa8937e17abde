package boots

import (
	"fmt"
	"slices"
	"strings"

	"lendkeep/reconcile/facts"
)

// named is one place at which a disk is named.
type named struct {
	file File
	line int // from 1; 0: the file is one line
	text string
	says facts.Held
	why  string
}

// Names answers whether fstab, crypttab and the kernel's command lines name disks by
// what is on them. Without an fstab (of a system that has none: an empty one) and a
// command line among the files it is not known.
func Names(files ...File) facts.Answer {
	var all []named
	var own []string
	for _, f := range files {
		if f.Kind == Crypttab && f.Gap == "" {
			own = append(own, opened(f.Text)...)
		}
		if f.Kind == Line && f.Gap == "" {
			own = append(own, openedBy(f.Text)...)
		}
	}
	for _, kind := range []Kind{Fstab, Line} {
		if !slices.ContainsFunc(files, func(f File) bool { return f.Kind == kind }) {
			all = append(all, named{file: File{Path: string(kind)}, says: facts.Unknown, why: "none was seen"})
		}
	}
	for _, f := range files {
		all = append(all, f.names(own)...)
	}
	return answer(all)
}

// names lists where a file names disks.
func (f File) names(own []string) []named {
	if f.Gap != "" {
		return []named{{file: f, says: facts.Unknown, why: f.Gap}}
	}
	if len(f.Text) > textMost || strings.Count(f.Text, "\n") > linesMost {
		return []named{{file: f, says: facts.Unknown, why: "it is too long to be read"}}
	}
	switch f.Kind {
	case Fstab:
		return f.lines(func(fields []string) (facts.Held, string) { return fstabLine(fields, own) })
	case Crypttab:
		return f.lines(func(fields []string) (facts.Held, string) { return crypttabLine(fields, own) })
	case Line, LaterLine:
		says, why := commandLine(f.Text, f.Kind == Line, own)
		return []named{{file: f, text: f.Text, says: says, why: why}}
	case Defaults:
		return f.defaults(own)
	case Unit:
		return f.unit(own)
	}
	return []named{{file: f, says: facts.Unknown, why: "lendkeep does not know how to read it"}}
}

// lines judges each line of a table that is neither empty nor a comment.
func (f File) lines(judge func(fields []string) (facts.Held, string)) []named {
	var all []named
	for n, text := range strings.Split(f.Text, "\n") {
		fields := strings.Fields(text)
		if len(fields) == 0 || strings.HasPrefix(fields[0], "#") {
			continue
		}
		for i := range fields {
			fields[i] = unescaped(fields[i])
		}
		says, why := judge(fields)
		all = append(all, named{f, n + 1, text, says, why})
	}
	return all
}

// answer joins what was seen: one wrong name is enough, and one that is not known
// leaves it open.
func answer(all []named) facts.Answer {
	for _, says := range []facts.Held{facts.Absent, facts.Unknown} {
		var told []named
		for _, n := range all {
			if n.says == says {
				told = append(told, n)
			}
		}
		if len(told) > 0 {
			return facts.Answer{Question: facts.AsksNames, Says: says, Where: told[0].file.Path, Seen: tell(told)}
		}
	}
	return facts.Answer{Question: facts.AsksNames, Says: facts.Present, Where: paths(all), Seen: "each disk is named by what is on it"}
}

// toldMost is how many places are told in full.
const toldMost = 3

func tell(all []named) string {
	var parts []string
	for i, n := range all {
		if i == toldMost {
			parts = append(parts, fmt.Sprintf("and %d more", len(all)-i))
			break
		}
		part := n.why
		if n.text != "" {
			part = quoted(n.text) + ": " + part
		}
		if n.line > 0 {
			part = fmt.Sprintf("line %d: %s", n.line, part)
		}
		if i > 0 || n.file.Path != all[0].file.Path {
			part = n.file.Path + ": " + part
		}
		parts = append(parts, part)
	}
	return strings.Join(parts, "; ")
}

func paths(all []named) string {
	var list []string
	for _, n := range all {
		if !slices.Contains(list, n.file.Path) {
			list = append(list, n.file.Path)
		}
	}
	if len(list) > toldMost+1 {
		list = append(list[:toldMost], fmt.Sprintf("and %d more files", len(list)-toldMost))
	}
	return strings.Join(list, ", ")
}
