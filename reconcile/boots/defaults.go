package boots

import (
	"strings"

	"lendkeep/reconcile/facts"
)

// defaults judges the lines of /etc/default/grub and the files beside it: those that
// give words to later kernels. Their quotes are the shell's.
func (f File) defaults(own []string) []named {
	var all []named
	for n, text := range strings.Split(f.Text, "\n") {
		text = strings.TrimSpace(text)
		if text == "" || strings.HasPrefix(text, "#") || !strings.Contains(text, "CMDLINE") && !strings.Contains(text, "/dev/") {
			continue
		}
		says, why := facts.Present, ""
		for _, piece := range strings.FieldsFunc(text, func(r rune) bool { return strings.ContainsRune("\"' \t;", r) }) {
			if held, reason := commandLine(piece, false, own); held != facts.Present && says != facts.Absent {
				says, why = held, reason
			}
		}
		all = append(all, named{f, n + 1, text, says, why})
	}
	return all
}
