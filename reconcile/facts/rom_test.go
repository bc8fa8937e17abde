package facts_test

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"lendkeep/reconcile/facts"
)

func TestROMPaths(t *testing.T) {
	rom := facts.ROMFor(facts.Identity{Controller: "reel", Vendor: 0x1b36, Device: 0x10}, "0a1b2c3d4e5f")
	assert.Equal(t, facts.ROM{Path: "/usr/share/qemu/lendkeep-reel-0a1b2c3d.rom", Driver: "0a1b2c3d4e5f", Vendor: 0x1b36, Device: 0x10}, rom)
	for named, is := range map[string]bool{
		rom.Path:                                true,
		"/usr/share/qemu/vgabios.rom":           false,
		"/usr/share/qemu/lendkeep-reel.bin":     false,
		"/usr/share/qemu/../lendkeep-x.rom":     false,
		"/usr/share/qemu/a/lendkeep-x.rom":      false,
		"/srv/lendkeep-x.rom":                   false,
		"/usr/share/qemu//lendkeep-x.rom":       false,
		"usr/share/qemu/lendkeep-reel-0.rom":    false,
		"/usr/share/qemu/lendkeep-..-x.rom":     true,
		"":                                      false,
		"/usr/share/qemu/lendkeep-/../../x.rom": false,
	} {
		assert.Equal(t, is, facts.IsROM(named), named)
	}
}
