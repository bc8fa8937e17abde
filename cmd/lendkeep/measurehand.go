package main

import (
	"fmt"
	"runtime"
	"strings"

	"github.com/spf13/cobra"

	"lendkeep/reconcile/speed"
	"lendkeep/spec"
	"lendkeep/spec/plain"
)

// byHand says how a guest is measured whose agent does not help.
func (m *measuring) byHand(dir string, guest *spec.Guest, why error) error {
	build, spell := "linux-"+runtime.GOARCH, plain.Quoted
	if guest.System == "windows" {
		build, spell = "windows-amd64", func(word string) string { return `"` + word + `"` }
	}
	target := "FOLDER"
	if m.folder != "" {
		target = m.folder
	}
	program := programFile(build)
	call := spelled(m.call(target, "result.json"), spell)
	again := spelled([]string{dir, "--guest", m.guest, "--label", m.label, "--file", "result.json", "-o", m.out}, plain.Quoted)
	return failure{code: exitUsage, err: fmt.Errorf("measure in guest %s without hands: %w", guest.Name, why), next: "see to the guest's agent, or measure by hand: lendkeep measure" + again,
		details: []string{
			"by hand, put " + programFor(build) + " into the guest, into a folder on the drive that is meant;",
			"there, as root or administrator: " + program + call,
			"bring result.json back, and remove both in the guest",
		}}
}

// spelled writes words of a call, each after a space.
func spelled(words []string, spell func(string) string) string {
	var call strings.Builder
	for _, word := range words {
		if strings.ContainsAny(word, " ") || !option().MatchString(word) && plain.Quoted(word) != word {
			word = spell(word)
		}
		call.WriteString(" " + word)
	}
	return call.String()
}

// brought takes a result that was measured by hand.
func (m *measuring) brought(c *cobra.Command, dir string) (speed.Result, error) {
	guest, begin, err := m.stated(c, dir)
	if err != nil {
		return speed.Result{}, err
	}
	r, err := readResult(m.file)
	switch {
	case err != nil:
		return r, err
	case r.Host != nil:
		return r, fail(exitUsage, "name the file as it came out of the guest", "%s: a host has added what it knows already", m.file)
	case r.Place.Side == speed.OnHost:
		return r, fail(exitUsage, "measure in the guest", "%s: it was measured on a host", m.file)
	}
	if m.label != "" {
		r.Label = m.label
	}
	return m.witnessed(c, guest.Name, begin, r), nil
}
