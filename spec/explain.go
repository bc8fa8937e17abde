package spec

import (
	_ "embed"
	"fmt"
	"strings"
)

//go:embed language.md
var manual string

// Manual describes the layout language, in Markdown. It has a section (###) for
// each block, which ends with an entry for each attribute: a line that begins
// with the name, then lines that describe it.
func Manual() string { return manual }

// Explain gives what the manual says of a block, and of an attribute in every
// block that has it. ok is false if the language has no such word.
func Explain(word string) (text string, ok bool) {
	var found []string
	for _, s := range sections() {
		if s.title == word {
			found = append(found, fmt.Sprintf("Block %s\n\n%s", s.title, s.text))
		} else if entry := s.entry(word); entry != "" {
			found = append(found, fmt.Sprintf("Attribute of block %s\n\n%s", s.title, entry))
		}
	}
	return strings.Join(found, "\n"), len(found) > 0
}

// Words gives every word that Explain knows, in the manual's sequence.
func Words() []string {
	var list []string
	for _, s := range sections() {
		list = append(list, s.title)
		for paragraph := range strings.SplitSeq(s.text, "\n\n") {
			if name, _, ok := strings.Cut(strings.TrimPrefix(paragraph, "`"), "` = "); ok && strings.HasPrefix(paragraph, "`") {
				list = append(list, name)
			}
		}
	}
	return list
}

// section is what the manual says of one block.
type section struct{ title, text string }

func sections() []section {
	var list []section
	for _, part := range strings.Split(manual, "\n### ")[1:] {
		part, _, _ = strings.Cut(part, "\n## ")
		title, text, _ := strings.Cut(part, "\n")
		list = append(list, section{title, strings.TrimSpace(text) + "\n"})
	}
	return list
}

// entry gives the lines about an attribute, or "".
func (s section) entry(attribute string) string {
	for paragraph := range strings.SplitSeq(strings.TrimSpace(s.text), "\n\n") {
		if strings.HasPrefix(paragraph, "`"+attribute+"` = ") {
			return paragraph + "\n"
		}
	}
	return ""
}
