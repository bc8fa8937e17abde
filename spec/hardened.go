package spec

import (
	"slices"
	"strings"
)

// trusting are the words of mount(8) by which files of a filesystem may do on the
// host what only root may have them do: run as root, be a device.
var trusting = []string{"suid", "dev"}

// Hardened gives the options with which a filesystem is mounted that a guest may
// have written: its set-user-ID files and device nodes mean nothing, unless the
// options speak of that themselves.
func Hardened(options []string) []string {
	var made []string
	for _, word := range trusting {
		if !slices.Contains(options, word) && !slices.Contains(options, "no"+word) {
			made = append(made, "no"+word)
		}
	}
	return append(made, options...)
}

// unhardened gives options without the words that Hardened adds again.
func unhardened(options []string) []string {
	return slices.DeleteFunc(slices.Clone(options), func(option string) bool {
		word, denied := strings.CutPrefix(option, "no")
		return denied && slices.Contains(trusting, word)
	})
}

// Trusts gives which of suid and dev are in force with options. Of contrary ones
// mount(8) heeds the last; without either they are.
func Trusts(options []string) []string {
	var list []string
	for _, word := range trusting {
		in := true
		for _, option := range options {
			if option == word || option == "no"+word {
				in = option == word
			}
		}
		if in {
			list = append(list, word)
		}
	}
	return list
}
