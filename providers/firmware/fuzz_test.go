package firmware

import (
	"bytes"
	"strings"
	"testing"

	"lendkeep/providers/formats/esp"
	"lendkeep/reconcile/facts"

	"github.com/diskfs/go-diskfs/filesystem/fat12"
	"github.com/stretchr/testify/require"
)

// FuzzRead: any bytes give a report, and absent only without a warning.
func FuzzRead(f *testing.F) {
	f.Add(makeImage(f, makeInner(NVMe, FAT)))
	f.Add(makeVolume(formatFFS3, makeLargeFile(NVMe.GUID, 0x07, makeSection(sectionPE32, makeProgram(subsystemBoot, "large")))))
	f.Add(makeQcow2(makeVolume(formatFFS2, makeDriver(NVMe)))[:1<<12])
	f.Fuzz(func(t *testing.T, b []byte) {
		image := Read(b)
		report := image.Report()
		require.Len(t, report.Answers, len(Parts()))
		for _, part := range Parts() {
			answer := report.Of(part)
			program, err := image.Extract(part.GUID)
			require.Equal(t, answer.Held == Present, err == nil)
			require.Equal(t, answer.Held == Unknown, answer.Why != "")
			if err == nil {
				_, err := readProgram(program)
				require.NoError(t, err)
			}
			if answer.Held == Absent {
				require.Empty(t, report.Warnings)
			}
		}
	})
}

// FuzzSections reaches the inner volume without the compression around it.
func FuzzSections(f *testing.F) {
	f.Add(makeInner(NVMe, FAT))
	f.Fuzz(func(t *testing.T, b []byte) {
		w := &walk{}
		w.sections(b, &file{}, trail{text: "fuzz"})
		require.LessOrEqual(t, len(w.warnings), maxWarnings)
	})
}

func FuzzReadVariables(f *testing.F) {
	for _, long := range []bool{true, false} {
		f.Add(makeStore(long,
			testVariable{"BootOrder", variableAdded, []byte{0, 0}},
			testVariable{"Boot0000", variableAdded, makeOption("A", hardDrivePath(facts.SystemPartition{Number: 1, ID: strings.ToLower(testID(1))}, `\A`), "")}))
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		list, _ := ReadVariables(b)
		Enrolled(list)
		ReadBoot(list)
		after, number, err := PutFirst(b, ownEntry())
		if err == nil {
			list, err := ReadVariables(after)
			require.NoError(t, err)
			require.Equal(t, number, ReadBoot(list).Order[0])
		}
	})
}

// FuzzLoadOption: a path that can be read has a text.
func FuzzLoadOption(f *testing.F) {
	f.Add(makeOption("Label", hardDrivePath(facts.SystemPartition{Number: 1, ID: strings.ToLower(testID(1))}, `\EFI\BOOT\BOOTX64.EFI`), "options"))
	f.Add(makeOption("", endNode(), ""))
	f.Fuzz(func(t *testing.T, b []byte) {
		entry, err := readLoadOption(b)
		if err == nil && (entry.Partition != nil || entry.File != "") {
			require.NotEmpty(t, entry.Path)
		}
	})
}

func FuzzReadESP(f *testing.F) {
	disk := make(memory, 128<<10)
	store := &storage{reader: disk, writer: disk, size: int64(len(disk))}
	volume, err := fat12.Create(store, store.size, 0, 512, "ESP", true)
	require.NoError(f, err)
	require.NoError(f, volume.Mkdir("EFI/BOOT"))
	f.Add([]byte(disk))
	f.Fuzz(func(t *testing.T, b []byte) {
		loaders, _ := esp.Loaders(bytes.NewReader(b), int64(len(b)))
		require.LessOrEqual(t, len(loaders), 200)
	})
}

func FuzzProgram(f *testing.F) {
	f.Add(starter())
	f.Fuzz(func(_ *testing.T, b []byte) {
		_, _ = readProgram(b)
	})
}

func FuzzQcow2(f *testing.F) {
	f.Add(makeQcow2([]byte("content"))[:3<<16+512])
	f.Fuzz(func(_ *testing.T, b []byte) { _, _ = rawFlash(b) })
}
