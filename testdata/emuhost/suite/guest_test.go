package suite

import (
	"strings"
	"time"

	"github.com/stretchr/testify/require"

	"lendkeep/testdata/emuhost"
)

// define makes the guest known to libvirt for as long as the test runs.
func (h host) define(g emuhost.Guest) {
	h.Helper()
	h.defineWith(g, "")
}

// defineWith is define with more devices in the guest.
func (h host) defineWith(g emuhost.Guest, devices string) {
	h.Helper()
	definition, err := g.XML()
	require.NoError(h, err)
	definition = strings.Replace(definition, "</devices>", devices+"</devices>", 1)
	file := "/tmp/" + g.Name + ".xml"
	require.NoError(h, h.emulated.WriteFile(h.Context(), file, []byte(definition), 0o644))
	h.try("virsh", "undefine", "--nvram", g.Name) // a test may define it anew
	h.run("virsh", "define", file)
	h.Cleanup(func() {
		h.try("virsh", "destroy", g.Name)
		h.try("virsh", "undefine", "--nvram", g.Name)
		h.run("rm", "-f", file)
	})
}

// says waits until a guest's serial line holds some words and gives all that it
// has said.
func (h host) says(g emuhost.Guest, words string) string {
	h.Helper()
	var said string
	h.until(4*time.Minute, g.Name+" says "+words, func() bool {
		content, err := h.emulated.ReadFile(h.Context(), g.Serial())
		require.NoError(h, err)
		said = string(content)
		return strings.Contains(said, words)
	})
	return said
}

// returned waits until a drive is the host's again: driver bound, namespace
// there. It gives the namespace, whose name may have changed.
func (h host) returned(serial string) string {
	h.Helper()
	var device string
	h.until(30*time.Second, serial+" is back", func() bool {
		device = h.namespace(serial)
		return device != ""
	})
	h.run("udevadm", "settle")
	return device
}
