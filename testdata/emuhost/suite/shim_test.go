package suite

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/emulated/machine"
	"lendkeep/testdata/driverless"
	"lendkeep/testdata/emuhost"
)

const (
	debians = "/usr/share/OVMF/OVMF_CODE_4M.fd"
	bare    = "/usr/share/OVMF/bare.fd"
)

// shimmed is the workshop with a shim.
func shimmed(as string) string {
	return strings.Replace(workshop, "BOOTS", "boots   = controller.reel\n  shim    = shim.start", 1) +
		"shim \"start\" {\n  donor = \"" + debians + "\"\n  as    = \"" + as + "\"\n}\n"
}

// Firmware without an NVMe driver starts nothing from a controller that is lent
// to it (TestBootDriverlessSeesNoDrive of providers/firmware), and an order says
// so. With a shim, be it an option ROM or a disk, the same guest starts the
// system that is there.
func TestBootOfFirmwareWithoutDriver(t *testing.T) {
	h := withProgram(t)
	h.shelved()
	content, err := h.emulated.ReadFile(t.Context(), debians)
	require.NoError(t, err)
	content, err = driverless.Image(content)
	require.NoError(t, err)
	require.NoError(t, h.emulated.WriteFile(t.Context(), bare, content, 0o644))
	address := h.controllers()[machine.Reel]

	t.Cleanup(func() { h.shell("rm -f " + bare + " /var/lib/libvirt/images/lendkeep-*") })

	g := emuhost.Guest{Name: "grading", Image: bare}
	h.define(g)
	h.layout(strings.Replace(workshop, "BOOTS", "boots   = controller.reel", 1))
	refused := h.lendkeep("plan", "workshop", "--shift", "day")
	assert.Equal(t, 1, refused.Exit)
	assert.Contains(t, refused.Stdout, "firmware of guest grading cannot read NVMe")

	for _, as := range []string{"rom", "disk"} {
		t.Run(as, func(t *testing.T) {
			h := host{t, h.emulated}
			h.layout(shimmed(as))
			h.run("rm", "-f", g.Serial())
			h.apply("--shift", "day")
			assert.Equal(t, "vfio-pci", h.driver(address))
			said := h.says(g, "marker-of-grading")
			assert.Equal(t, as == "disk", strings.Contains(said, "lendkeep: starting"), said)
			h.until(time.Minute, "the guest has ended by itself", func() bool {
				return strings.Contains(h.run("virsh", "domstate", "grading"), "shut off")
			})
			if out := h.mustLendkeep("plan", "workshop", "--shift", "night"); !strings.Contains(out, "there is nothing to do") {
				h.apply("--shift", "night")
			}
			assert.Contains(t, h.mustLendkeep("plan", "workshop", "--shift", "night"), "there is nothing to do")
			h.run("sha256sum", "-c", "/var/lib/sum")
		})
	}
	definition := h.run("virsh", "dumpxml", "--inactive", "grading")
	assert.NotContains(t, definition, "<rom file=", "the ROM of the earlier layout has left")
	assert.Contains(t, definition, "/var/lib/libvirt/images/lendkeep-reel-")
}
