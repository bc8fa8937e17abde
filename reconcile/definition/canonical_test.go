package definition_test

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"

	"lendkeep/reconcile/definition"
)

const small = "<domain type='kvm'>\n  <name>grading</name>\n  <metadata>\n    <x:a xmlns:x=\"urn:x\" b=\"1\"/>\n  </metadata>\n  <memory unit='KiB'>1024</memory>\n  <title>a &amp; b</title>\n</domain>\n"

func TestSameDefinition(t *testing.T) {
	for name, other := range map[string]string{
		"a blank line at the end":  small + "\n",
		"no line end":              strings.TrimSpace(small),
		"white space before it":    "\n  " + small,
		"windows lines":            strings.ReplaceAll(small, "\n", "\r\n"),
		"no indentation":           strings.ReplaceAll(strings.ReplaceAll(small, "\n", ""), "  ", ""),
		"other quotes":             strings.ReplaceAll(small, "'", `"`),
		"comments":                 "<!-- made by libvirt -->\n" + strings.Replace(small, "  <memory", "  <!-- x -->\n  <memory", 1),
		"a declaration":            "<?xml version='1.0'?>\n" + small,
		"an end tag of its own":    strings.Replace(small, `b="1"/>`, `b="1"></x:a>`, 1),
		"attributes the other way": strings.Replace(small, `xmlns:x="urn:x" b="1"`, `b="1" xmlns:x="urn:x"`, 1),
		"another escape":           strings.Replace(small, "&amp;", "&#38;", 1),
	} {
		assert.True(t, definition.Same(small, other), name)
	}
	for name, other := range map[string]string{
		"another value":        strings.Replace(small, "1024", "1025", 1),
		"space in a value":     strings.Replace(small, "grading", "grading ", 1),
		"another attribute":    strings.Replace(small, `b="1"`, `b="2"`, 1),
		"an element more":      strings.Replace(small, "</domain>", "<on_crash/></domain>", 1),
		"one in another":       strings.Replace(strings.Replace(small, "</name>", "", 1), "</title>", "</title></name>", 1),
		"another sequence":     strings.Replace(small, "<name>grading</name>\n", "", 1) + "",
		"cut off":              small[:len(small)/2],
		"nothing":              "",
		"attribute made text":  strings.Replace(small, `<memory unit='KiB'>1024`, `<memory> unit="KiB"1024`, 1),
		"value with a quote":   strings.Replace(small, `b="1"`, `b='1" c="2'`, 1),
		"value made attribute": strings.Replace(small, `b="1"`, `b="1" c="2"`, 1),
	} {
		assert.False(t, definition.Same(small, other), name)
	}
	assert.True(t, definition.Same("no definition", "no definition"))
	assert.False(t, definition.Same("no definition", "no definition\n"))
}
