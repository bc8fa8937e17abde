package firmware

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/facts"
)

// These tests start Debian's firmware, and the same without its NVMe driver,
// with what this package builds. A test's drive holds programs that write a
// marker and switch the guest off.

const emulatedVendor, emulatedDevice = 0x1B36, 0x0010 // QEMU's NVMe controller

func lentDrive(t *testing.T) []byte {
	return makeDisk(t, testESP{id: testID(1), files: withLoader(markerProgram("MARKER lent"))})
}

func TestBootNative(t *testing.T) {
	bootTests(t)
	g := newGuest(t, outsideFile(t, ovmfCode, "ovmf"))
	g.nvme(lentDrive(t), ",bootindex=1")
	console := g.run("")
	assert.Contains(t, console, "MARKER lent")

	// The variable store says what the firmware said on its console.
	content, err := os.ReadFile(g.vars)
	require.NoError(t, err)
	variables, err := ReadVariables(content)
	require.NoError(t, err)
	boot := ReadBoot(variables)
	assert.Empty(t, boot.Gaps)
	var seen bool
	for _, entry := range boot.Entries {
		if strings.Contains(entry.Label, "RL-4410-0073") {
			seen = true
			assert.Contains(t, console, `starting `+entry.Name()+` "`+entry.Label+`" from `+entry.Path+"\n")
			require.NotEmpty(t, boot.Order)
			assert.Equal(t, entry.Number, boot.Order[0])
		}
	}
	assert.True(t, seen, "an entry for the drive: %+v", boot)
}

func TestBootDriverlessSeesNoDrive(t *testing.T) {
	bootTests(t)
	g := newGuest(t, driverless(t))
	g.nvme(lentDrive(t), ",bootindex=1")
	console := g.run("Shell>")
	assert.NotContains(t, console, "MARKER")
	assert.Contains(t, console, "No mapping found")
}

func TestBootByROM(t *testing.T) {
	bootTests(t)
	driver, err := Read(outsideFile(t, ovmfCode, "ovmf")).Extract(NVMe.GUID)
	require.NoError(t, err)
	rom := mustBuild(t, ROM{driver, emulatedVendor, emulatedDevice}.Build)
	for name, code := range map[string][]byte{
		"firmware without the driver": driverless(t),
		"firmware with it":            outsideFile(t, ovmfCode, "ovmf"),
	} {
		t.Run(name, func(t *testing.T) {
			g := newGuest(t, code)
			g.nvme(lentDrive(t), ",bootindex=1,romfile="+g.file("nvme.rom", rom))
			assert.Contains(t, g.run(""), "MARKER lent")
		})
	}
}

func TestBootByShim(t *testing.T) {
	bootTests(t)
	disk := mustBuild(t, donorShim(t).Build)
	for name, attach := range map[string]func(g *guest) string{
		"virtio read-only": func(g *guest) string {
			return g.drive("shim", disk, ",readonly=on", "virtio-blk-pci,bootindex=1")
		},
		// QEMU refuses a read-only hard disk on SATA, so here it only stays
		// as it was.
		"SATA": func(g *guest) string { return g.drive("shim", disk, "", "ide-hd,bootindex=1") },
		"SCSI read-only": func(g *guest) string {
			g.devices = append(g.devices, "-device", "virtio-scsi-pci")
			return g.drive("shim", disk, ",readonly=on", "scsi-hd,bootindex=1")
		},
		"USB read-only": func(g *guest) string {
			g.devices = append(g.devices, "-device", "qemu-xhci")
			return g.drive("shim", disk, ",readonly=on", "usb-storage,bootindex=1")
		},
	} {
		t.Run(name, func(t *testing.T) {
			g := newGuest(t, driverless(t))
			path := attach(g)
			g.nvme(lentDrive(t), "")
			console := g.run("")
			assert.Contains(t, console, "MARKER lent")
			assert.NotContains(t, console, "Press ESC", "no countdown")
			after, err := os.ReadFile(path)
			require.NoError(t, err)
			assert.Equal(t, sha(disk), sha(after), "the guest must not write to it")
		})
	}
}

// As an order has it: the drive keeps a place in the boot order, behind the
// shim, and what the layout names is started before the usual.
func TestShimOfAnOrder(t *testing.T) {
	bootTests(t)
	root, ctx := t.TempDir(), t.Context()
	require.NoError(t, os.MkdirAll(filepath.Join(root, facts.ShimFolder), 0o755))
	require.NoError(t, os.WriteFile(filepath.Join(root, "donor.fd"), outsideFile(t, ovmfCode, "ovmf"), 0o644))
	donor := surveyed(OnHost(os.DirFS(root), ""), facts.Boot{Firmware: "uefi", Loader: "/donor.fd"}).Firmware[0]
	drive := makeDisk(t,
		testESP{id: testID(1), files: withLoader(markerProgram("MARKER first"))},
		testESP{id: testID(2), files: map[string][]byte{
			"EFI/BOOT/BOOTX64.EFI": markerProgram("MARKER fallback"), "EFI/own/start.efi": markerProgram("MARKER own")}})
	shim := facts.ShimFor("reel", facts.Shim{Driver: donor.Driver, Shell: donor.ShellSum,
		From: readDisk(t, drive)[1].Partition, Loader: `\EFI\own\start.efi`})
	require.NoError(t, Folder{root}.PlaceAid(ctx, shim, "/donor.fd", donor.SHA256))
	disk, err := os.ReadFile(filepath.Join(root, shim.Path))
	require.NoError(t, err)
	g := newGuest(t, driverless(t))
	g.shim(disk)
	g.nvme(drive, ",bootindex=2")
	console := g.run("")
	assert.Contains(t, console, "MARKER own")
	assert.Equal(t, 1, strings.Count(console, "MARKER"))
}

// With the driver in the firmware the shim brings no new volume, and still
// starts the drive.
func TestBootByShimWithoutNeed(t *testing.T) {
	bootTests(t)
	g := newGuest(t, outsideFile(t, ovmfCode, "ovmf"))
	g.shim(mustBuild(t, donorShim(t).Build))
	g.nvme(lentDrive(t), "")
	assert.Contains(t, g.run(""), "MARKER lent")
}

func twoSystems(t *testing.T, first []byte) []byte {
	return makeDisk(t,
		testESP{id: testID(1), files: withLoader(first)},
		testESP{id: testID(2), files: withLoader(markerProgram("MARKER second"))})
}

func TestShimStartsTheWantedPartition(t *testing.T) {
	bootTests(t)
	drive := twoSystems(t, markerProgram("MARKER first"))
	esps := readDisk(t, drive)
	for i, marker := range []string{"MARKER first", "MARKER second"} {
		shim := donorShim(t)
		shim.Wanted = &esps[i].Partition
		g := newGuest(t, driverless(t))
		g.shim(mustBuild(t, shim.Build))
		g.nvme(drive, "")
		console := g.run("")
		assert.Contains(t, console, marker)
		assert.Equal(t, 1, strings.Count(console, "MARKER"))
	}
}

// A copied drive has the ids of its source: only the one behind the driver is
// meant.
func TestShimIsNotFooledByTwins(t *testing.T) {
	bootTests(t)
	shim := donorShim(t)
	shim.Wanted = &readDisk(t, lentDrive(t))[0].Partition
	for name, shim := range map[string]Shim{"wanted": shim, "first": donorShim(t)} {
		t.Run(name, func(t *testing.T) {
			g := newGuest(t, driverless(t))
			g.shim(mustBuild(t, shim.Build))
			g.drive("old", makeDisk(t, testESP{id: testID(1), files: withLoader(markerProgram("MARKER old"))}), "", "virtio-blk-pci")
			g.nvme(lentDrive(t), "")
			console := g.run("")
			assert.Contains(t, console, "MARKER lent")
			assert.NotContains(t, console, "MARKER old")
		})
	}
}

func TestShimGoesOnAfterABadLoader(t *testing.T) {
	bootTests(t)
	for name, loader := range map[string][]byte{"garbage": []byte("garbage"), "returns": returnProgram()} {
		t.Run(name, func(t *testing.T) {
			g := newGuest(t, driverless(t))
			g.shim(mustBuild(t, donorShim(t).Build))
			g.nvme(twoSystems(t, loader), "")
			console := g.run("")
			assert.Contains(t, console, `BOOTX64.EFI came back with 0x`)
			assert.Contains(t, console, "MARKER second")
		})
	}
}

func TestShimStartsOtherLoaders(t *testing.T) {
	bootTests(t)
	shim := donorShim(t)
	shim.Ending = PowerOff
	shim.Loaders = []string{`\EFI\vendor with blanks\start system.efi`}
	g := newGuest(t, driverless(t))
	g.shim(mustBuild(t, shim.Build))
	g.nvme(makeDisk(t, testESP{id: testID(1), files: map[string][]byte{
		"EFI/BOOT/BOOTX64.EFI":                    markerProgram("MARKER fallback"),
		"EFI/vendor with blanks/start system.efi": markerProgram("MARKER own path"),
	}}), "")
	console := g.run("")
	assert.Contains(t, console, "MARKER own path")
	assert.NotContains(t, console, "MARKER fallback")
}

func TestShimFindsNothing(t *testing.T) {
	bootTests(t)
	t.Run("prompt", func(t *testing.T) {
		g := newGuest(t, driverless(t))
		g.shim(mustBuild(t, donorShim(t).Build))
		g.nvme(makeDisk(t, testESP{id: testID(1)}), "")
		console := g.run("Shell>")
		assert.Contains(t, console, `lendkeep: no system found: none of the volumes has \EFI\BOOT\BOOTX64.EFI or`)
	})
	t.Run("power off without the wanted partition", func(t *testing.T) {
		shim := donorShim(t)
		shim.Wanted = &facts.SystemPartition{Number: 1, ID: strings.ToLower(testID(9)), First: 2048, Sectors: 16384}
		shim.Ending = PowerOff
		g := newGuest(t, driverless(t))
		g.shim(mustBuild(t, shim.Build))
		g.nvme(lentDrive(t), "")
		console := g.run("")
		assert.Contains(t, console, "lendkeep: no system found: no volume is partition "+testID(9))
		assert.NotContains(t, console, "MARKER")
	})
	t.Run("another disk's system is not the lent drive's", func(t *testing.T) {
		shim := donorShim(t)
		shim.Ending = PowerOff
		g := newGuest(t, driverless(t))
		g.shim(mustBuild(t, shim.Build))
		g.drive("old", lentDrive(t), "", "virtio-blk-pci")
		g.nvme(makeDisk(t, testESP{id: testID(2)}), "")
		console := g.run("")
		assert.Contains(t, console, "lendkeep: no system found")
		assert.NotContains(t, console, "MARKER")
	})
}

// A shim disk that finds shim disks, itself or others, starts none of them.
func TestShimDoesNotLoop(t *testing.T) {
	bootTests(t)
	shim := donorShim(t)
	shim.Ending = PowerOff
	disk := mustBuild(t, shim.Build)
	for name, code := range map[string][]byte{"driverless": driverless(t), "with the driver": outsideFile(t, ovmfCode, "ovmf")} {
		t.Run(name, func(t *testing.T) {
			g := newGuest(t, code)
			g.shim(disk)
			g.drive("again", mustBuild(t, donorShim(t).Build), ",readonly=on", "virtio-blk-pci")
			g.nvme(disk, "")
			console := g.run("")
			assert.Equal(t, 1, strings.Count(console, "lendkeep: no system found"))
			assert.NotContains(t, console, "lendkeep: starting")
		})
	}
}

// With Secure Boot on the firmware does not start it: the parts are not signed.
func TestSecureBootRefusesTheShim(t *testing.T) {
	bootTests(t)
	g := newGuest(t, outsideFile(t, "/usr/share/OVMF/OVMF_CODE_4M.secboot.fd", "ovmf"))
	enrolled := outsideFile(t, "/usr/share/OVMF/OVMF_VARS_4M.ms.fd", "ovmf")
	variables, err := ReadVariables(enrolled)
	require.NoError(t, err)
	require.True(t, Enrolled(variables))
	g.file("vars.fd", enrolled)
	g.machine += ",smm=on"
	g.devices = append(g.devices, "-global", "driver=cfi.pflash01,property=secure,value=on")
	g.shim(mustBuild(t, donorShim(t).Build))
	assert.Contains(t, g.run("Access Denied"), `failed to load Boot`)
}
