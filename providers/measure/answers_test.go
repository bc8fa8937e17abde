package measure

import (
	"encoding/binary"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/speed"
)

// The answers here are made by hand after the structures as Microsoft documents them
// (learn.microsoft.com: STORAGE_DEVICE_DESCRIPTOR, VOLUME_DISK_EXTENTS,
// DISK_GEOMETRY_EX, STORAGE_WRITE_CACHE_PROPERTY, STORAGE_TEMPERATURE_DATA_DESCRIPTOR):
// one member after the other, in their order and with the compiler's padding.

func descriptor(bus uint32, vendor, product, revision, serial string) []byte {
	le := binary.LittleEndian
	b := le.AppendUint32(nil, 40) // Version
	b = le.AppendUint32(b, 0)     // Size, set below
	b = append(b, 0, 0, 0, 1)     // DeviceType, DeviceTypeModifier, RemovableMedia, CommandQueueing
	texts := []string{vendor, product, revision, serial}
	at := uint32(36)
	for _, text := range texts { // VendorIdOffset, ProductIdOffset, ProductRevisionOffset, SerialNumberOffset
		if text == "" {
			b = le.AppendUint32(b, 0)
			continue
		}
		b = le.AppendUint32(b, at)
		at += uint32(len(text)) + 1
	}
	b = le.AppendUint32(b, bus) // BusType
	b = le.AppendUint32(b, 0)   // RawPropertiesLength
	for _, text := range texts {
		if text != "" {
			b = append(append(b, text...), 0)
		}
	}
	le.PutUint32(b[4:], uint32(len(b)))
	return b
}

func TestDescribed(t *testing.T) {
	d, err := described(descriptor(17, "NVMe", "Studio 1TB      ", "2B2QEXM7", "0025_38B1_2140_6C51."))
	require.NoError(t, err)
	assert.Equal(t, speed.Drive{Model: "NVMe Studio 1TB", Firmware: "2B2QEXM7", Serial: "0025_38B1_2140_6C51.", Bus: "nvme"}, d)
	d, err = described(descriptor(11, "", "Ledger 500", "", ""))
	require.NoError(t, err)
	assert.Equal(t, speed.Drive{Model: "Ledger 500", Bus: "sata"}, d)
	for bus, want := range map[uint32]string{0: "", 1: "scsi", 7: "usb", 16: "storage spaces", 21: "", 127: "", 1 << 31: ""} {
		d, err := described(descriptor(bus, "", "x", "", ""))
		require.NoError(t, err)
		assert.Equal(t, want, d.Bus)
	}
}

// Offsets that lead elsewhere are no texts, and a text without an end ends with the
// answer.
func TestForgedDescriptions(t *testing.T) {
	for _, at := range []uint32{1, 35, 5000, 1<<32 - 1} {
		b := descriptor(17, "", "x", "", "")
		binary.LittleEndian.PutUint32(b[16:], at)
		d, err := described(b)
		require.NoError(t, err)
		assert.Empty(t, d.Model)
	}
	whole := descriptor(17, "NVMe", "Studio", "1", "S0REEL01")
	for n := range whole {
		d, err := described(whole[:n])
		assert.Equal(t, n < 36, err != nil)
		assert.NotContains(t, d.Serial, "\x00")
	}
	d, err := described(descriptor(17, "", "a\x1b[31m\x7f\xff", "", ""))
	require.NoError(t, err)
	assert.Equal(t, speed.Text(d.Model), d.Model)
	assert.NotContains(t, d.Model, "\x1b")
}

func TestDriveNumber(t *testing.T) {
	n, err := driveNumber([]byte{7, 0, 0, 0, 3, 0, 0, 0, 1, 0, 0, 0}) // FILE_DEVICE_DISK, 3, partition 1
	require.NoError(t, err)
	assert.EqualValues(t, 3, n)
	_, err = driveNumber(make([]byte, 11))
	assert.ErrorContains(t, err, "in only 11 bytes")
}

func TestExtents(t *testing.T) {
	made := func(count uint32, drives ...uint32) []byte {
		b := binary.LittleEndian.AppendUint64(nil, uint64(count))
		for _, d := range drives {
			b = binary.LittleEndian.AppendUint64(b, uint64(d)) // DiskNumber
			b = binary.LittleEndian.AppendUint64(b, 1<<20)     // StartingOffset
			b = binary.LittleEndian.AppendUint64(b, 1<<30)     // ExtentLength
		}
		return b
	}
	for _, c := range []struct {
		answer []byte
		want   []uint32
		says   string
	}{
		{made(1, 1), []uint32{1}, ""},
		{made(3, 2, 0, 2), []uint32{0, 2}, ""},
		{made(0), nil, "it has 0 extents"},
		{made(2, 1), nil, "2 extents, in 32 bytes"},
		{made(1<<32-1, 1), nil, "4294967295 extents"},
		{nil, nil, "in only 0 bytes"},
	} {
		list, err := extents(c.answer)
		assert.Equal(t, c.want, list)
		if c.says == "" {
			assert.NoError(t, err)
		} else {
			assert.ErrorContains(t, err, c.says)
		}
	}
}

func TestGeometry(t *testing.T) {
	b := make([]byte, 40)
	binary.LittleEndian.PutUint32(b[20:], 512)
	binary.LittleEndian.PutUint64(b[24:], 1000204886016)
	sector, size, err := geometry(b)
	require.NoError(t, err)
	assert.EqualValues(t, 512, sector)
	assert.EqualValues(t, 1000204886016, size)
	binary.LittleEndian.PutUint32(b[20:], 0)
	_, _, err = geometry(b)
	assert.ErrorContains(t, err, "sectors of 0")
	_, _, err = geometry(b[:31])
	assert.Error(t, err)
}

func TestWriteCache(t *testing.T) {
	for answer, want := range map[[2]byte]string{{2, 2}: "write back", {3, 2}: "write through", {2, 1}: "off", {2, 0}: "", {0, 2}: "", {1, 2}: ""} {
		assert.Equal(t, want, writeCache([]byte{28, 0, 0, 0, 28, 0, 0, 0, answer[0], 0, 0, 0, answer[1], 0, 0, 0, 2, 0, 0, 0, 2, 0, 0, 0, 1, 0, 0, 0}))
	}
	assert.Empty(t, writeCache(make([]byte, 15)))
}

func TestWarmth(t *testing.T) {
	made := func(count uint16, degrees int16) []byte {
		b := make([]byte, 24+16)
		binary.LittleEndian.PutUint16(b[12:], count)
		binary.LittleEndian.PutUint16(b[26:], uint16(degrees))
		return b
	}
	assert.Equal(t, 41, *warmth(made(1, 41)))
	assert.Equal(t, -7, *warmth(made(2, -7)))
	assert.Nil(t, warmth(made(0, 41)))
	assert.Nil(t, warmth(made(1, -0x8000)))
	assert.Nil(t, warmth(made(1, 41)[:39]))
}

func TestDriverOf(t *testing.T) {
	const device = `PCI\VEN_1B36&DEV_0010&SUBSYS_11001AF4&REV_02\3&13c0b0c5&0&28`
	registry := map[[2]string]string{
		{`SYSTEM\CurrentControlSet\Enum\` + device, "Service"}:                                                  "stornvme",
		{`SYSTEM\CurrentControlSet\Enum\` + device, "Driver"}:                                                   `{4d36e97b-e325-11ce-bfc1-08002be10318}\0001`,
		{`SYSTEM\CurrentControlSet\Control\Class\{4d36e97b-e325-11ce-bfc1-08002be10318}\0001`, "DriverVersion"}: "10.0.22621.4391",
	}
	service, version := driverOf(device, func(key, value string) string { return registry[[2]string{key, value}] })
	assert.Equal(t, "stornvme", service)
	assert.Equal(t, "10.0.22621.4391", version)
	service, version = driverOf(device, func(string, string) string { return "" })
	assert.Empty(t, service+version)
}

func TestWindowsName(t *testing.T) {
	assert.Equal(t, "Windows 10 Pro", windowsName("Windows 10 Pro", 19045))
	assert.Equal(t, "Windows 11 Pro", windowsName("Windows 10 Pro", 22000))
	assert.Equal(t, "Windows Server 2025 Standard", windowsName("Windows Server 2025 Standard", 26100))
}

func FuzzAnswers(f *testing.F) {
	f.Add(descriptor(17, "NVMe", "Studio", "1", "S0REEL01"))
	f.Fuzz(func(t *testing.T, b []byte) {
		d, _ := described(b)
		for _, text := range []string{d.Model, d.Serial, d.Firmware, d.Bus} {
			assert.Equal(t, speed.Text(text), text)
		}
		_, _ = driveNumber(b)
		list, _ := extents(b)
		assert.LessOrEqual(t, len(list)*24, len(b))
		_, _, _ = geometry(b)
		_ = writeCache(b)
		_ = warmth(b)
	})
}
