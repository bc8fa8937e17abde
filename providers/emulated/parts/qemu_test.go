package parts_test

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"lendkeep/providers/emulated/machine"
	"lendkeep/providers/emulated/parts"
	"lendkeep/providers/sysfs"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/invented"
	"lendkeep/reconcile/twin"
	"lendkeep/testdata/outside"
)

// QEMU itself takes the twins: it builds the machine, halted, and is told to quit.
func TestQEMUTakesTwins(t *testing.T) {
	for name, survey := range surveys(t) {
		t.Run(name, func(t *testing.T) {
			m := twin.Of(survey)
			build(t, m)
			if crowded, _, room := m.InFront(); room {
				build(t, crowded)
			}
		})
	}
}

// surveys gives those of captured, invented and random hosts.
func surveys(t *testing.T) map[string]facts.Survey {
	tree, err := sysfs.Open("../../../testdata/hosts/larch.txtar")
	require.NoError(t, err)
	larch, err := tree.Survey(t.Context(), nil)
	require.NoError(t, err)
	hosts := map[string]facts.Survey{"larch": larch, "every kind": every()}
	random := rapid.Custom(func(t *rapid.T) facts.Survey {
		survey, _ := invented.Random(t)
		return survey
	})
	for i := range 6 {
		hosts[fmt.Sprint("random ", i)] = random.Example(i)
	}
	return hosts
}

// A shell takes the script of every twin.
func TestScriptsAreShell(t *testing.T) {
	for name, survey := range surveys(t) {
		for _, script := range []string{parts.Script(twin.Of(survey)), parts.EachBoot(twin.Of(survey))} {
			command := exec.Command("/bin/sh", "-n")
			command.Stdin = strings.NewReader(script)
			output, err := command.CombinedOutput()
			assert.NoError(t, err, "%s: %s", name, output)
		}
	}
}

func build(t *testing.T, m twin.Machine) {
	t.Helper()
	program, err := exec.LookPath("qemu-system-x86_64")
	if err != nil {
		outside.Missing(t, "needs qemu-system-x86_64: "+err.Error())
	}
	folder, err := os.MkdirTemp("", "twin-") // short, for the sockets in it
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, os.RemoveAll(folder)) })
	own := filepath.Join(folder, "own.qcow2")
	output, err := exec.Command("qemu-img", "create", "-q", "-f", "qcow2", own, "64M").CombinedOutput()
	require.NoError(t, err, "%s", output)
	for _, file := range (parts.Twin{m}).Files() {
		name := filepath.Join(folder, file.Name)
		require.NoError(t, os.WriteFile(name, nil, 0o600))
		require.NoError(t, os.Truncate(name, int64(file.Bytes)))
	}
	words, err := parts.Twin{m}.Arguments(machine.Boot{Folder: folder, OwnDisk: own, Console: filepath.Join(folder, "console"),
		Channel: filepath.Join(folder, "channel"), ChannelName: "agent", Monitor: filepath.Join(folder, "monitor")})
	require.NoError(t, err)
	words = slices.DeleteFunc(words, func(word string) bool { return slices.Contains([]string{"-kernel", "-initrd", "-append"}, word) })
	words = slices.DeleteFunc(words, func(word string) bool { return word == "" || strings.HasPrefix(word, machine.KernelLine) })
	ctx, cancel := context.WithTimeout(t.Context(), 2*time.Minute)
	defer cancel()
	command := exec.CommandContext(ctx, program, append(words, "-S", "-monitor", "stdio")...)
	command.Stdin = strings.NewReader("quit\n")
	output, err = command.CombinedOutput()
	require.NoError(t, err, "%s\n%q", output, words)
}
