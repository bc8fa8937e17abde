package boots

import (
	"strings"

	"lendkeep/reconcile/facts"
)

// crypttabLine judges a line of crypttab(5), Debian's and systemd's: name, device, key,
// options. A key may be a device, or a file on one, after a colon.
func crypttabLine(fields []string, own []string) (facts.Held, string) {
	if len(fields) < 2 {
		return facts.Unknown, "it names no device"
	}
	says, why := cryptDevice(fields[1], own)
	if says == facts.Present && len(fields) > 2 {
		key := fields[2]
		if _, device, ok := strings.Cut(key, ":"); ok {
			says, why = Name(device, own...)
		} else if strings.HasPrefix(key, "/dev/") {
			says, why = Name(key, own...)
		}
	}
	if says == facts.Present && len(fields) > 3 {
		for _, option := range strings.Split(fields[3], ",") {
			_, value, _ := strings.Cut(option, "=")
			if at := strings.LastIndex(value, ":"); at >= 0 && strings.HasPrefix(option, "header=") {
				value = value[at+1:]
			}
			if says == facts.Present && strings.HasPrefix(value, "/dev/") {
				says, why = Name(value, own...)
			}
		}
	}
	return says, why
}

// cryptDevice judges what is opened: a device, or a file of the system.
func cryptDevice(what string, own []string) (facts.Held, string) {
	if strings.HasPrefix(what, "/") && !strings.HasPrefix(what, "/dev/") {
		return facts.Unknown, "lendkeep does not know on which disk that file is"
	}
	return Name(what, own...)
}

// opened lists the names that a crypttab gives.
func opened(text string) []string {
	var names []string
	for line := range strings.Lines(text) {
		if fields := strings.Fields(line); len(fields) > 1 && !strings.HasPrefix(fields[0], "#") {
			names = append(names, fields[0])
		}
	}
	return names
}
