package firmware

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Measured once on Debian 12's package ovmf 2022.11-6+deb12u2 with other tools.
const (
	knownImage  = "b157d97b1f69729514feb7f201d2cbe4957f23ab77920e361fe9f822ba49ca4c"
	knownDriver = "b97b287a1e625daa6b3ba1f4c98b4b13127a2a3ed99144be2726f9fb6cc37fc5"
	knownShell  = "9f4493853d25b9f532adb86b3e10aa49f8f95e4735b37c638797de02e72f7caf"
)

func sha(b []byte) string {
	sum := sha256.Sum256(b)
	return hex.EncodeToString(sum[:])
}

func TestReadDebianFirmware(t *testing.T) {
	for _, path := range []string{
		ovmfCode, "/usr/share/OVMF/OVMF_CODE.fd",
		"/usr/share/OVMF/OVMF_CODE_4M.secboot.fd", "/usr/share/OVMF/OVMF_CODE.secboot.fd",
	} {
		t.Run(path, func(t *testing.T) {
			report := Read(outsideFile(t, path, "ovmf")).Report()
			assert.Empty(t, report.Warnings)
			for _, part := range Parts() {
				if part != Shell { // newer builds with Secure Boot leave it out
					assert.Equal(t, Answer{Part: part.Name, Held: Present}, report.Of(part))
				}
			}
		})
	}
}

func TestExtractFromDebianFirmware(t *testing.T) {
	content := outsideFile(t, ovmfCode, "ovmf")
	image := Read(content)
	driver, err := image.Extract(NVMe.GUID)
	require.NoError(t, err)
	shell, err := image.Extract(Shell.GUID)
	require.NoError(t, err)
	require.NoError(t, needProgram(driver, subsystemBoot, "driver"))
	require.NoError(t, needProgram(shell, subsystemApp, "shell"))
	if sha(content) != knownImage {
		t.Logf("another build of ovmf (%s): its parts are not compared byte for byte", sha(content))
		return
	}
	assert.Len(t, driver, 24256)
	assert.Equal(t, knownDriver, sha(driver))
	assert.Len(t, shell, 876672)
	assert.Equal(t, knownShell, sha(shell))
}

func TestReadDriverless(t *testing.T) {
	report := Read(driverless(t)).Report()
	assert.Empty(t, report.Warnings)
	assert.Equal(t, Answer{Part: NVMe.Name, Held: Absent}, report.Of(NVMe))
	assert.Equal(t, Present, report.Of(AHCI).Held)
}

// A variable store is a volume too, and holds no drivers: that says nothing
// about firmware.
func TestReadVariableStoreSaysNothing(t *testing.T) {
	report := Read(outsideFile(t, ovmfVars, "ovmf")).Report()
	for _, part := range Parts() {
		assert.Equal(t, Unknown, report.Of(part).Held)
		assert.Contains(t, report.Of(part).Why, "no DXE core")
	}
}

func TestReadSynthetic(t *testing.T) {
	report := Read(makeImage(t, makeInner(NVMe, FAT))).Report()
	assert.Empty(t, report.Warnings)
	assert.Equal(t, Present, report.Of(NVMe).Held)
	assert.Equal(t, Present, report.Of(FAT).Held)
	assert.Equal(t, Absent, report.Of(Shell).Held)
	assert.Equal(t, Answer{Part: "other", Why: "not looked for"}, report.Of(Part{Name: "other"}))
}

// Each case changes the inner sections of a firmware that holds NVMe and FAT.
func TestReadInner(t *testing.T) {
	fileAt := func(b []byte, part Part) int { return bytes.Index(b, part.GUID[:]) }
	cases := []struct {
		name    string
		change  func(b []byte) []byte
		nvme    Presence
		shell   Presence // not there to begin with
		warning string
	}{
		{"deleted file", func(b []byte) []byte { b[fileAt(b, NVMe)+23] = 0xE8; return b }, Absent, Absent, ""},
		{"deleted after an update", func(b []byte) []byte { b[fileAt(b, NVMe)+23] = 0xE0; return b }, Absent, Absent, ""},
		{"file being replaced", func(b []byte) []byte { b[fileAt(b, NVMe)+23] = 0xF0; return b }, Present, Unknown, "being replaced"},
		{"header not valid", func(b []byte) []byte { b[fileAt(b, NVMe)+23] = 0xD8; return b }, Unknown, Unknown, "neither valid nor deleted"},
		{"data never finished", func(b []byte) []byte { b[fileAt(b, NVMe)+23] = 0xFC; return b }, Unknown, Unknown, "neither valid nor deleted"},
		{"checksum of the file header", func(b []byte) []byte { b[fileAt(b, NVMe)+16]++; return b }, Unknown, Unknown, "checksum of the header"},
		{"later file damaged", func(b []byte) []byte { b[fileAt(b, FAT)+18]++; return b }, Present, Unknown, "checksum of the header"},
		{"file checksum constant", func(b []byte) []byte { b[fileAt(b, NVMe)+17]++; return b }, Unknown, Unknown, "checksum of the content"},
		{"no program in the file", func(b []byte) []byte { b[fileAt(b, NVMe)+fileHeader+8+3] = sectionRaw; return b }, Unknown, Absent, ""},
		{"program damaged", func(b []byte) []byte { b[fileAt(b, NVMe)+fileHeader+8+4] = 'X'; return b }, Unknown, Unknown, "no MZ header"},
		{"section size", func(b []byte) []byte {
			b[fileAt(b, NVMe)+fileHeader+8] = 1
			b[fileAt(b, NVMe)+fileHeader+9] = 0
			return b
		}, Unknown, Unknown, "section of 1 bytes"},
		{"section type", func(b []byte) []byte { b[fileAt(b, NVMe)+fileHeader+8+3] = 0x77; return b }, Unknown, Unknown, "unknown type 0x77"},
		{"volume header", func(b []byte) []byte { b[bytes.Index(b, []byte(volumeSignature))+4]++; return b }, Unknown, Unknown, "checksum of the volume header"},
		{"volume format", func(b []byte) []byte {
			at := bytes.Index(b, []byte(volumeSignature)) - volumeSignatureAt
			b[at+16]++
			fixVolumeSum(b[at:])
			return b
		}, Unknown, Unknown, "unknown format"},
		{"cut off", func(b []byte) []byte { return b[:len(b)-200] }, Unknown, Unknown, "where"},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			report := Read(makeImage(t, c.change(makeInner(NVMe, FAT)))).Report()
			assert.Equal(t, c.nvme.String(), report.Of(NVMe).Held.String(), "NVMe: %v", report)
			assert.Equal(t, c.shell.String(), report.Of(Shell).Held.String(), "Shell: %v", report)
			if c.warning == "" {
				assert.Empty(t, report.Warnings)
			} else {
				require.NotEmpty(t, report.Warnings)
				assert.Contains(t, report.Warnings[0], c.warning)
			}
		})
	}
}

func TestReadContentChecksum(t *testing.T) {
	file := makeDriver(NVMe)
	file[19] |= fileChecksummed
	file[17] = -sum8(file[fileHeader:])
	fixFileSum(file)
	core := makeFile(coreName, fileTypeDXECore, makeSection(sectionPE32, makeProgram(subsystemBoot, "core")))
	assert.Equal(t, Present, Read(makeVolume(formatFFS2, core, file)).Report().Of(NVMe).Held)
	file[len(file)-1]++
	answer := Read(makeVolume(formatFFS2, core, file)).Report().Of(NVMe)
	assert.Equal(t, Unknown, answer.Held)
	assert.Contains(t, answer.Why, "checksum of the content is wrong")
}

func TestReadLargeFile(t *testing.T) {
	core := makeFile(coreName, fileTypeDXECore, makeSection(sectionPE32, makeProgram(subsystemBoot, "core")))
	large := makeLargeFile(NVMe.GUID, 0x07, makeSection(sectionPE32, makeProgram(subsystemBoot, "large")))
	assert.Equal(t, Present, Read(makeVolume(formatFFS3, core, large)).Report().Of(NVMe).Held)
	// FFS2 knows no large files, so this one is damage.
	assert.Equal(t, Unknown, Read(makeVolume(formatFFS2, core, large)).Report().Of(NVMe).Held)
}

func TestReadBounds(t *testing.T) {
	t.Run("bytes between volumes", func(t *testing.T) {
		image := append(makeImage(t, makeInner(NVMe)), bytes.Repeat([]byte{1, 2}, 64)...)
		report := Read(image).Report()
		assert.Equal(t, Unknown, report.Of(Shell).Held)
		assert.Contains(t, report.Warnings[0], "128 bytes that belong to no volume")
	})
	t.Run("blank flash between volumes", func(t *testing.T) {
		image := append(makeImage(t, makeInner(NVMe)), make([]byte, 4096)...)
		assert.Equal(t, Absent, Read(image).Report().Of(Shell).Held)
	})
	t.Run("nesting", func(t *testing.T) {
		sections := makeInner(NVMe)
		for range maxDepth {
			sections = makeSection(sectionCompressed, append(make([]byte, 5), sections...))
		}
		answer := Read(makeImage(t, sections)).Report().Of(NVMe)
		assert.Equal(t, Unknown, answer.Held)
		assert.Contains(t, answer.Why, "nested deeper")
	})
	t.Run("decompression", func(t *testing.T) {
		half := makePacked(t, make([]byte, maxUnpacked/2))
		file := makeFile(innerName, fileTypeVolume, bytes.Repeat(half, 3))
		var found bool
		for _, warning := range Read(makeVolume(formatFFS2, file)).Report().Warnings {
			found = found || bytes.Contains([]byte(warning), []byte("where at most 0 are read"))
		}
		assert.True(t, found, "the third stream is over the limit")
	})
	t.Run("more warnings than are kept", func(t *testing.T) {
		var files [][]byte
		for range 2 * maxWarnings {
			files = append(files, makeFile(innerName, 0x7F, nil))
		}
		warnings := Read(makeVolume(formatFFS2, files...)).Report().Warnings
		assert.Len(t, warnings, maxWarnings+1)
		assert.Equal(t, "and 21 more", warnings[maxWarnings])
	})
	t.Run("nothing", func(t *testing.T) {
		assert.Equal(t, Unknown, Read(nil).Report().Of(NVMe).Held)
	})
}

func TestReadDamagedStream(t *testing.T) {
	image := makeImage(t, makeInner(NVMe, FAT))
	part := findPacked(t, image)
	for at := range part.stream {
		damaged := bytes.Clone(image)
		damaged[part.streamAt+at] ^= 0x10
		report := Read(damaged).Report()
		assert.NotEqual(t, Absent, report.Of(NVMe).Held, "byte %d of the stream", at)
	}
}

func TestExtractNothing(t *testing.T) {
	_, err := Read(makeImage(t, makeInner(NVMe))).Extract(Shell.GUID)
	assert.ErrorContains(t, err, "extract 7C04A583")
}

func TestPresenceText(t *testing.T) {
	for _, p := range []Presence{Unknown, Present, Absent} {
		text, err := p.MarshalText()
		require.NoError(t, err)
		var back Presence
		require.NoError(t, back.UnmarshalText(text))
		assert.Equal(t, p, back)
	}
	assert.Error(t, new(Presence).UnmarshalText([]byte("maybe")))
	assert.Equal(t, "unknown", Presence(9).String())
}
