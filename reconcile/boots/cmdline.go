package boots

import (
	"fmt"
	"regexp"
	"strings"

	"lendkeep/reconcile/facts"
)

// numberedRoot is a device by its numbers (kernel init/do_mounts.c, name_to_dev_t):
// "8:1", "0801".
var numberedRoot = regexp.MustCompile(`^([0-9]+:[0-9]+|(0x)?[0-9a-fA-F]{3,5})$`)

// commandLine judges a kernel's command line; of one with which the system starts
// something must say where its root is. The last root= counts, as it does for the
// kernel, initramfs-tools and dracut.
func commandLine(text string, starts bool, own []string) (facts.Held, string) {
	words := lineWords(text)
	root := ""
	says, why := facts.Present, ""
	worse := func(held facts.Held, reason string) {
		if says != facts.Absent && held != facts.Present {
			says, why = held, reason
		}
	}
	for _, word := range words {
		key, value, _ := strings.Cut(word, "=")
		if key == "root" {
			root = value
			continue
		}
		worse(lineWord(key, value, own))
	}
	switch {
	case root != "":
		held, reason := rootName(root, own)
		worse(held, reason)
	case starts:
		worse(facts.Unknown, "it does not say where the root filesystem is (root=)")
	}
	return says, why
}

// rootName judges what root= names.
func rootName(root string, own []string) (facts.Held, string) {
	switch {
	case root == "gpt-auto": // by the partition's type (systemd-gpt-auto-generator(8))
		return facts.Present, ""
	case numberedRoot.MatchString(root):
		return facts.Absent, "root=" + root + ": " + byPlace
	}
	held, reason := Name(root, own...)
	if held != facts.Present {
		reason = fmt.Sprintf("root=%.80s: %s", root, reason)
	}
	return held, reason
}

// lineWord judges any other word of the line: each device that it names.
func lineWord(key, value string, own []string) (facts.Held, string) {
	if (key == "resume" || key == "mount.usr") && value != "" && !strings.HasPrefix(value, "/dev/") {
		return told(key, value, own)
	}
	says, why := facts.Present, ""
	for rest := value; ; {
		at := strings.Index(rest, "/dev/")
		if at < 0 {
			return says, why
		}
		rest = rest[at:]
		end := strings.IndexAny(rest, ",:; ")
		if end < 0 {
			end = len(rest)
		}
		if held, reason := told(key, rest[:end], own); held != facts.Present && says != facts.Absent {
			says, why = held, reason
		}
		rest = rest[end:]
	}
}

func told(key, name string, own []string) (facts.Held, string) {
	held, reason := Name(name, own...)
	if held != facts.Present {
		reason = fmt.Sprintf("%.40s=%.80s: %s", key, name, reason)
	}
	return held, reason
}

// openedBy lists the names that a line gives to what the initramfs opens: Arch's
// cryptdevice=, dracut's and systemd's rd.luks.name=, Debian's cryptopts=.
func openedBy(text string) []string {
	var names []string
	for _, word := range lineWords(text) {
		key, value, _ := strings.Cut(word, "=")
		switch key {
		case "cryptdevice":
			if parts := strings.Split(value, ":"); len(parts) > 1 {
				names = append(names, parts[1])
			}
		case "rd.luks.name", "luks.name":
			if _, name, ok := strings.Cut(value, "="); ok {
				names = append(names, name)
			}
		case "cryptopts":
			for _, option := range strings.Split(value, ",") {
				if name, ok := strings.CutPrefix(option, "target="); ok {
					names = append(names, name)
				}
			}
		}
	}
	return names
}

// lineWords splits a line as the kernel does: at blanks that stand outside of double
// quotes, which are dropped (kernel lib/cmdline.c, next_arg).
func lineWords(text string) []string {
	var words []string
	var word strings.Builder
	inside := false
	for _, r := range text {
		switch {
		case r == '"':
			inside = !inside
		case !inside && strings.ContainsRune(" \t\n\r\v\f", r):
			if word.Len() > 0 {
				words = append(words, word.String())
				word.Reset()
			}
		default:
			word.WriteRune(r)
		}
	}
	if word.Len() > 0 {
		words = append(words, word.String())
	}
	return words
}
