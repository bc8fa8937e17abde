package firmware

import (
	"encoding/binary"
	"encoding/hex"
	"strings"
	"testing"

	"lendkeep/providers/formats/guid"
	"lendkeep/reconcile/facts"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// makeOption makes an EFI_LOAD_OPTION.
func makeOption(label string, path []byte, options string) []byte {
	b := []byte{loadActive, 0, 0, 0, 0, 0}
	binary.LittleEndian.PutUint16(b[4:], uint16(len(path)))
	b = append(b, utf16Text(label)...)
	return append(append(b, path...), options...)
}

// hardDrivePath makes the short form of a device path: HD() and a file.
func hardDrivePath(p facts.SystemPartition, file string) []byte {
	return append(append(hardDriveNode(p, guid.Must(p.ID)), filePathNode(file)...), endNode()...)
}

func TestReadBoot(t *testing.T) {
	esp := facts.SystemPartition{Number: 2, ID: strings.ToLower(testID(7)), First: 2048, Sectors: 204800}
	list, err := ReadVariables(makeStore(true,
		testVariable{"BootOrder", variableAdded, []byte{0x1F, 0, 0, 0}},
		testVariable{"Boot001F", variableAdded, makeOption("Windows Boot Manager", hardDrivePath(esp, `\EFI\Microsoft\Boot\bootmgfw.efi`), "WINDOWS\x00")},
		testVariable{"Boot0000", variableAdded, append([]byte{0}, makeOption("", endNode(), "")[1:]...)},
		testVariable{"BootNext", variableAdded, []byte{0, 0}},
		testVariable{"Boot0003", variableAdded, []byte{1, 0, 0, 0, 0xFF, 0xFF, 0, 0}},
		testVariable{"BootOptionSupport", variableAdded, []byte{1, 3, 0, 0}},
		testVariable{"Boot00fa", variableAdded, []byte{}}, // lower case is no boot entry
		testVariable{"Boot004", variableAdded, []byte{}},
	))
	require.NoError(t, err)
	boot := ReadBoot(list)
	assert.Equal(t, []uint16{0x1F, 0}, boot.Order)
	require.NotNil(t, boot.Next)
	assert.EqualValues(t, 0, *boot.Next)
	assert.Equal(t, []string{"Boot0003: device path of 65535 bytes where 0 are left"}, boot.Gaps)
	require.Len(t, boot.Entries, 2)
	assert.Equal(t, BootEntry{Number: 0}, boot.Entries[0])
	assert.Equal(t, BootEntry{
		Number: 0x1F, Label: "Windows Boot Manager", Active: true,
		Path:      `HD(2,GPT,` + testID(7) + `,0x800,0x32000)/\EFI\Microsoft\Boot\bootmgfw.efi`,
		Partition: &esp, Short: true, File: `\EFI\Microsoft\Boot\bootmgfw.efi`, Options: []byte("WINDOWS\x00"),
	}, boot.Entries[1])
	assert.Equal(t, "Boot001F", boot.Entries[1].Name())

	// A store of another vendor's variables says nothing about booting.
	for i := range list {
		list[i].Vendor = formatFFS2
	}
	assert.Equal(t, Boot{}, ReadBoot(list))
	odd := ReadBoot([]Variable{{"BootOrder", globalVariables, 7, []byte{1}}, {"BootNext", globalVariables, 7, []byte{1}}})
	assert.Len(t, odd.Gaps, 2)
}

// Text forms as in UEFI 2.10, 10.6, of nodes laid out by 10.3; the first is as
// OVMF 2022.11 printed it for the bytes in its variable store.
func TestDevicePathText(t *testing.T) {
	for text, bytes := range map[string]string{
		"PciRoot(0x0)/Pci(0x1,0x0)":                       "02010c00d041030a00000000" + "010106000001",
		"PciRoot(0x0)/Pci(0x1F,0x2)/Sata(0x0,0xFFFF,0x0)": "02010c00d041030a00000000" + "01010600021f" + "03120a000000ffff0000",
		"NVMe(0x1,00-25-38-5B-71-B0-22-AA)":               "031710000100000000" + "25385b71b022aa",
		"PcieRoot(0x2)":                                   "02010c00d041080a02000000",
		"Acpi(0x060441D0,0x1)":                            "02010c00d041040601000000",
		"Scsi(0x1,0x0)":                                   "0302080001000000",
		"USB(0x3,0x0)":                                    "030506000300",
		"MAC(525400123456,0x1)":                           "030b2500525400123456" + "0000000000000000000000000000000000000000000000000000" + "01",
		"CDROM(0x1,0x2D,0x1680)":                          "0402180001000000" + "2d00000000000000" + "8016000000000000",
		"Fv(7CB8BDC9-F8EB-4F34-AAEA-3EE4AF6516A1)":        "04071400c9bdb87cebf8344faaea3ee4af6516a1",
		"FvFile(462CAA21-7614-4503-836E-8AB6F4662331)":    "0406140021aa2c4614760345836e8ab6f4662331",
		"Path(3,18,0102)":                                 "031206000102", // SATA of a wrong length
		"Path(5,1,)":                                      "05010400",
		`\EFI\BOOT`:                                       "04041600" + "5c004500460049005c0042004f004f0054" + "00", // a final zero that is cut off
		"HD(1,GPT," + "4F1C0C52-9A0E-4C6E-8F0A-5C1F2F0E7A11,0x800,0x32000)": "04012a0001000000" + "0008000000000000" + "0020030000000000" + "520c1c4f0e9a6e4c8f0a5c1f2f0e7a11" + "0202",
	} {
		raw, err := hex.DecodeString(bytes)
		require.NoError(t, err, text)
		path, err := readDevicePath(append(raw, endNode()...))
		require.NoError(t, err, text)
		assert.Equal(t, text, path.String())
	}
	for text, bytes := range map[string]string{
		"it has no end": "010106000001",
		"node of 3":     "01010300",
		"node of 255":   "0101ff000001",
	} {
		raw, err := hex.DecodeString(bytes)
		require.NoError(t, err)
		_, err = readDevicePath(raw)
		assert.ErrorContains(t, err, text)
	}
}

func TestReadDamagedLoadOption(t *testing.T) {
	for text, b := range map[string][]byte{
		"are no load option": {1, 0, 0},
		"label has no end":   {1, 0, 0, 0, 0, 0, 'A', 0, 'B'},
		"it has no end":      makeOption("A", []byte{1, 1, 6, 0, 0, 1}, ""),
	} {
		_, err := readLoadOption(b)
		assert.ErrorContains(t, err, text)
	}
}
