package firmware

import (
	"bytes"
	"os"
	"strings"
	"testing"

	"lendkeep/reconcile/facts"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func ownEntry() facts.NewEntry {
	return facts.NewEntry{Label: "Grading", Partition: facts.SystemPartition{Number: 1, ID: strings.ToLower(testID(1)), First: 2048, Sectors: 16384}, File: `\EFI\own\start.efi`}
}

func mustReadBoot(t *testing.T, store []byte) Boot {
	t.Helper()
	list, err := ReadVariables(store)
	require.NoError(t, err)
	boot := ReadBoot(list)
	require.Empty(t, boot.Gaps)
	return boot
}

func TestPutFirst(t *testing.T) {
	for _, long := range []bool{true, false} {
		before := makeStore(long,
			testVariable{"Boot0000", variableAdded, makeOption("UiApp", endNode(), "")},
			testVariable{"BootOrder", variableAdded, []byte{2, 0, 0, 0}},
			testVariable{"Boot0002", variableAdded, makeOption("Shell", endNode(), "")},
			testVariable{"Timeout", variableAdded, []byte{0, 0}})
		kept := bytes.Clone(before)
		after, number, err := PutFirst(before, ownEntry())
		require.NoError(t, err)
		assert.Equal(t, kept, before, "the given content is not changed")
		assert.EqualValues(t, 1, number)
		boot := mustReadBoot(t, after)
		assert.Equal(t, []uint16{1, 2, 0}, boot.Order)
		require.Len(t, boot.Entries, 3)
		want := ownEntry()
		assert.Equal(t, BootEntry{Number: 1, Label: want.Label, Active: true, Path: partitionNode(want.Partition) + "/" + want.File,
			Partition: &want.Partition, Short: true, File: want.File}, boot.Entries[1])

		// The entry is already there and first: only the order is written anew.
		again, number, err := PutFirst(after, ownEntry())
		require.NoError(t, err)
		assert.EqualValues(t, 1, number)
		assert.Equal(t, boot, mustReadBoot(t, again))

		changed := 0
		for i := range before {
			if before[i] != after[i] && before[i] != 0xFF {
				changed++
			}
		}
		assert.Equal(t, 1, changed, "of what was written, only the old order's state")
	}
}

func TestPutFirstIntoDebiansTemplate(t *testing.T) {
	after, number, err := PutFirst(outsideFile(t, ovmfVars, "ovmf"), ownEntry())
	require.NoError(t, err)
	assert.Zero(t, number)
	assert.Equal(t, []uint16{0}, mustReadBoot(t, after).Order)
}

func TestPutFirstRefuses(t *testing.T) {
	_, _, err := PutFirst(makeStore(true), facts.NewEntry{File: "start.efi"})
	assert.ErrorContains(t, err, "write boot entry: loader path")
	damaged := makeStore(true, testVariable{"BootOrder", variableAdded, []byte{0, 0}})
	damaged[len(damaged)-70] = 0
	_, _, err = PutFirst(damaged, ownEntry())
	assert.ErrorContains(t, err, "is not empty")
	long := ownEntry()
	long.Label = string(bytes.Repeat([]byte("x"), 600))
	_, _, err = PutFirst(makeStore(true), long)
	assert.ErrorContains(t, err, "bytes are free where")
	long.Label = string(bytes.Repeat([]byte("x"), 40000))
	_, _, err = PutFirst(makeStore(true), long)
	assert.ErrorContains(t, err, "entry of")
	_, _, err = PutFirst(makeQcow2(makeStore(true)), ownEntry())
	assert.ErrorContains(t, err, "no volume header")
}

// Debian's firmware takes the entry for its own: it starts the program there,
// and not the one at the fallback path.
func TestBootByWrittenEntry(t *testing.T) {
	bootTests(t)
	drive := makeDisk(t, testESP{id: testID(1), files: map[string][]byte{
		"EFI/BOOT/BOOTX64.EFI": markerProgram("MARKER fallback"),
		"EFI/own/start.efi":    markerProgram("MARKER own path"),
	}})
	for name, more := range map[string]string{"alone": "", "with a boot order": ",bootindex=1"} {
		t.Run(name, func(t *testing.T) {
			g := newGuest(t, outsideFile(t, ovmfCode, "ovmf"))
			entry := ownEntry()
			entry.Partition = readDisk(t, drive)[0].Partition
			store, number, err := PutFirst(outsideFile(t, ovmfVars, "ovmf"), entry)
			require.NoError(t, err)
			g.file("vars.fd", store)
			g.nvme(drive, more)
			console := g.run("")
			assert.Contains(t, console, "starting "+BootEntry{Number: number}.Name()+` "Grading"`)
			assert.Contains(t, console, "MARKER own path")
			assert.NotContains(t, console, "MARKER fallback")

			// A second start finds it where the first left it.
			content, err := os.ReadFile(g.vars)
			require.NoError(t, err)
			boot := mustReadBoot(t, content)
			require.NotEmpty(t, boot.Order)
			assert.Equal(t, number, boot.Order[0])
		})
	}
}
