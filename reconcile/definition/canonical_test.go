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

// What libvirt 9.0 writes of a guest whose controllers it has added by itself, and what
// it writes once it was given that.
func TestSameControllers(t *testing.T) {
	const root, agent, port = "<controller type='pci' index='0' model='pcie-root'/>", "<controller type='virtio-serial' index='0'/>", "<controller type='pci' index='1' model='pcie-root-port'/>"
	devices := func(list ...string) string {
		return "<domain><name>grading</name><devices><disk/>" + strings.Join(list, "") + "<serial/></devices></domain>"
	}
	assert.True(t, definition.Same(devices(root, agent, port), devices(root, port, agent)))
	assert.True(t, definition.Same(devices(root, agent, port), devices(agent, root, port)))
	assert.False(t, definition.Same(devices(root, agent, port), devices(root, agent)), "one less")
	assert.False(t, definition.Same(devices(root, agent), devices(root, strings.Replace(agent, "0", "1", 1))), "another number")
	const usb1, usb2 = "<controller type='usb' index='0' model='ich9-ehci1'/>", "<controller type='usb' index='0' model='ich9-uhci1'/>"
	assert.False(t, definition.Same(devices(usb1, usb2), devices(usb2, usb1)), "two of one number keep their sequence")
	assert.False(t, definition.Same(devices("<disk a='1'/>", "<disk a='2'/>"), devices("<disk a='2'/>", "<disk a='1'/>")), "no controllers")
	assert.False(t, definition.Same("<domain>"+root+agent+"</domain>", "<domain>"+agent+root+"</domain>"), "elsewhere")
}
