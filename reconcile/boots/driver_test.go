package boots_test

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"lendkeep/reconcile/boots"
	"lendkeep/reconcile/facts"
)

func TestLists(t *testing.T) {
	for list, want := range map[string]bool{
		"kernel/drivers/nvme/host/nvme.ko\n":                                                        true, // modules.builtin
		"usr/lib/modules/6.1.0-18-amd64/kernel/drivers/nvme/host/nvme.ko.xz":                        true, // lsinitramfs
		"-rw-r--r--   1 root     root        36124 Jan  1  1970 usr/lib/modules/6/nvme.ko.zst\nend": true, // lsinitrd
		"kernel/drivers/nvmem/nvmem_core.ko\nkernel/drivers/nvme/host/nvme-core.ko\n":               false,
		"kernel/drivers/nvme/target/nvmet.ko\nnvme.ko.bak\nnvme.kox\nxnvme.ko\n":                    false,
		"": false,
	} {
		assert.Equal(t, want, boots.Lists(list), list)
	}
}

func TestDriver(t *testing.T) {
	kernel := func(name string, first bool, builtIn, initramfs facts.Held) boots.Kernel {
		return boots.Kernel{Name: name, First: first, BuiltIn: builtIn, Initramfs: initramfs, Where: "/boot/" + name}
	}
	const yes, no, unsure = facts.Present, facts.Absent, facts.Unknown
	for _, c := range []struct {
		name    string
		kernels []boots.Kernel
		says    facts.Held
		seen    string
	}{
		{"none", nil, unsure, "no kernel"},
		{"module", []boots.Kernel{kernel("6.1", true, no, yes)}, yes, "in its initramfs"},
		{"built in", []boots.Kernel{kernel("6.1", true, yes, unsure)}, yes, "built in"},
		{"neither", []boots.Kernel{kernel("6.1", true, no, no)}, no, "neither"},
		{"initramfs not known", []boots.Kernel{kernel("6.1", true, no, unsure)}, unsure, "not known"},
		{"not known whether built in", []boots.Kernel{kernel("6.1", true, unsure, no)}, unsure, "not known"},
		{"nothing said", []boots.Kernel{{Name: "6.1"}}, unsure, "not known"},
		{"the first decides", []boots.Kernel{kernel("6.1", true, no, no), kernel("5.10", false, no, yes)}, no, "kernel 6.1"},
		{"the first decides, the others are told", []boots.Kernel{kernel("6.1", true, no, yes), kernel("5.10", false, no, no)}, yes, "of 1 other"},
		{"none is known to be the first", []boots.Kernel{kernel("6.1", false, no, yes), kernel("5.10", false, no, no)}, unsure, "kernel 5.10 has the NVMe driver neither"},
		{"all agree", []boots.Kernel{kernel("6.1", false, no, no), kernel("5.10", false, no, no)}, no, "neither"},
		{"several may be the first", []boots.Kernel{kernel("6.1", true, no, yes), kernel("5.10", true, no, yes), kernel("4.9", false, no, no)}, yes, "of 1 other"},
	} {
		got := boots.Driver(c.kernels...)
		assert.Equal(t, c.says, got.Says, c.name)
		assert.Contains(t, got.Seen, c.seen, c.name)
	}
}
