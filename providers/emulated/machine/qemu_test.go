package machine

import (
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lendkeep/testdata/outside"
)

// QEMU itself takes every way with every kind of card: it builds the machine,
// halted, and is told to quit.
func TestQEMUTakesEveryMachine(t *testing.T) {
	program, err := exec.LookPath("qemu-system-x86_64")
	if err != nil {
		outside.Missing(t, "needs qemu-system-x86_64: "+err.Error())
	}
	for _, way := range []Way{Alone, SharedSlot, MultiFunction, Switched, Conventional} {
		t.Run(string(way), func(t *testing.T) {
			every := []Card{
				{Kind: NVMe, Serial: "A", SectorBytes: 4096},
				{Kind: SATA, Serial: "B"}, {Kind: Network}, {Kind: Network}, {Kind: Network},
				{Kind: Graphics}, {Kind: Sound}, {Kind: USB, Serial: "C"},
			}
			build(t, program, Machine{Own: own, Seats: []Seat{{Way: way, Cards: every}, {Way: way, Cards: []Card{{Kind: NVMe, Serial: "D"}}}}})
		})
	}
	t.Run("larch", func(t *testing.T) { build(t, program, Larch()) })
	t.Run("assorted", func(t *testing.T) { build(t, program, Assorted()) })
}

func build(t *testing.T, program string, m Machine) {
	t.Helper()
	folder, err := os.MkdirTemp("", "machine-") // short, for the socket in it
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, os.RemoveAll(folder)) })
	for _, card := range append(m.Drives(), m.Own) {
		name := filepath.Join(folder, card.DiskName()+".img")
		require.NoError(t, os.WriteFile(name, nil, 0o600))
		require.NoError(t, os.Truncate(name, card.Bytes()))
	}
	arguments, err := m.Arguments(Boot{
		Kernel: "kernel", Initrd: "initrd", OwnDisk: filepath.Join(folder, m.Own.DiskName()+".img"), Folder: folder,
		Console: filepath.Join(folder, "console"), Channel: filepath.Join(folder, "channel"), ChannelName: "agent",
	})
	require.NoError(t, err)
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	command := exec.CommandContext(ctx, program, append(withoutKernel(arguments), "-S", "-monitor", "stdio")...)
	command.Stdin = strings.NewReader("quit\n")
	output, err := command.CombinedOutput()
	require.NoError(t, err, "%s", output)
}

// withoutKernel leaves out what QEMU would read at once, and takes the own
// drive for what it is here, an empty raw file.
func withoutKernel(arguments []string) []string {
	var kept []string
	for i := 0; i < len(arguments); i++ {
		switch arguments[i] {
		case "-kernel", "-initrd", "-append":
			i++
		default:
			kept = append(kept, strings.Replace(arguments[i], "format=qcow2", "format=raw", 1))
		}
	}
	return kept
}
