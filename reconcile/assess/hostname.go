// host-name: the layout is for a host of another name than the one that was
// surveyed. Whoever has several layouts and several hosts may have mixed them
// up; serials then protect against the worst, but not against everything.
//
// Severity: caution.
//
// Remedy: take the layout of this host, or correct the name in the layout.
package assess

import "strings"

func checkHostName(c *Case) []Finding {
	stated, seen := c.Layout.Host.Name, c.Facts.Survey.Machine.Name
	if seen == "" || label(stated) == label(seen) {
		return nil
	}
	return []Finding{{Severity: Caution, At: c.Layout.Host.At,
		Summary:  shorten("this is host " + seen + ", not " + stated),
		Detail:   "The layout is written for host " + stated + ".",
		Causes:   []Cause{{"/proc/sys/kernel/hostname", seen}, {c.Layout.Host.At.String(), "host " + stated}},
		Remedies: []string{"take the layout of this host", "correct the name in the layout"},
	}}
}

// label is the first part of a host's name; the rest is its network domain.
func label(name string) string {
	first, _, _ := strings.Cut(name, ".")
	return strings.ToLower(first)
}
