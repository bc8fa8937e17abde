package twins

import (
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/emulated"
)

// wanted is the environment variable that lets these tests run.
const wanted = "LENDKEEP_EMUHOST"

// built gives a folder with lendkeep and what it runs in a twin.
func built(t *testing.T) string {
	t.Helper()
	if os.Getenv(wanted) == "" {
		t.Skipf("boots a whole host: set %s=1 to run it", wanted)
	}
	if err := emulated.Missing(); err != nil {
		t.Skip(err)
	}
	folder := t.TempDir()
	for name, from := range map[string]string{"lendkeep": "cmd/lendkeep", "lendkeep-hook": "cmd/lendkeep-hook", emulated.AgentName: "providers/emulated/agent"} {
		cgo := "0"
		if name == "lendkeep" {
			cgo = "1"
		}
		build := exec.Command("go", "build", "-tags", "libvirt_dlopen", "-o", filepath.Join(folder, name), "lendkeep/"+from)
		build.Env = append(os.Environ(), "CGO_ENABLED="+cgo)
		output, err := build.CombinedOutput()
		require.NoError(t, err, "%s", output)
	}
	return folder
}

// rehearsed gives what lendkeep says of an order of larch's on a twin, and its exit
// code.
func rehearsed(t *testing.T, programs, shift string) (said string, exit int) {
	t.Helper()
	folder := t.TempDir()
	lendkeep := func(arguments ...string) (string, error) {
		command := exec.Command(filepath.Join(programs, "lendkeep"), arguments...)
		command.Dir = folder
		output, err := command.CombinedOutput()
		return string(output), err
	}
	hosts, err := filepath.Abs("../../hosts")
	require.NoError(t, err)
	layout, err := filepath.Abs("../../../examples/larch")
	require.NoError(t, err)
	said, err = lendkeep("survey", "--root", filepath.Join(hosts, "larch.txtar"), "-o", "larch.json")
	require.NoError(t, err, said)
	said, err = lendkeep("plan", layout, "--shift", shift, "--survey", "larch.json", "-o", "an.order")
	require.NoError(t, err, said)
	said, err = lendkeep("rehearse", "an.order", "--survey", "larch.json", "--twin")
	var ended *exec.ExitError
	if errors.As(err, &ended) {
		return said, ended.ExitCode()
	}
	require.NoError(t, err)
	return said, 0
}

// A real kernel does with larch's orders what memory does.
func TestLarch(t *testing.T) {
	for _, shift := range []string{"day", "night"} {
		t.Run(shift, func(t *testing.T) {
			said, exit := rehearsed(t, built(t), shift)
			assert.Zero(t, exit, said)
			assert.Contains(t, said, "All of the order was carried out by a real kernel")
			t.Log(said)
		})
	}
}
