package holding

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/facts"
)

func TestWhoseDeviceItIs(t *testing.T) {
	for name, c := range map[string]struct {
		driver string
		want   bool
	}{
		"nvidia":             {"nvidia", true},
		"nvidia-uvm":         {"nvidia", true},
		"nvidia-caps":        {"nvidia", true},
		"nvidia-frontend":    {"nvidia", true},
		"megaraid_sas_ioctl": {"megaraid_sas", true},
		"kfd":                {"amdgpu", true},
		"aac":                {"aacraid", true},
		"nvme-fabrics":       {"nvme", false}, // of drives over a network
		"null":               {"", false},
		"tty":                {"nouveau", false},
	} {
		assert.Equal(t, c.want, serves(name, c.driver), name)
	}
	s := &facts.Survey{Functions: []facts.Function{{Address: facts.Address{Bus: 1}, Driver: "amdgpu"}, {Address: facts.Address{Bus: 2}, Driver: "amdgpu"}, {Address: facts.Address{Bus: 3}}}}
	assert.Equal(t, []facts.Address{{Bus: 1}, {Bus: 2}}, functionsOf(s, "/sys/devices/virtual/kfd/kfd"))
	assert.Empty(t, functionsOf(s, "/sys/devices/virtual/mem/null"))
}

// As Linux 6.1 prints it.
func TestMajors(t *testing.T) {
	assert.Equal(t, map[uint32]string{1: "mem", 136: "pts", 195: "nvidia"}, majors("Character devices:\n  1 mem\n136 pts\n195 nvidia\n\nBlock devices:\n  7 loop\n"))
	own, err := os.ReadFile("/proc/devices")
	require.NoError(t, err)
	assert.Equal(t, "mem", majors(string(own))[1])
}

func TestForeignDrivers(t *testing.T) {
	dir := t.TempDir()
	for driver, taint := range map[string]string{"e1000e": "\n", "nvidia": "POE\n"} {
		require.NoError(t, os.MkdirAll(filepath.Join(dir, driver, "module"), 0o700))
		require.NoError(t, os.WriteFile(filepath.Join(dir, driver, "module", "taint"), []byte(taint), 0o600))
	}
	require.NoError(t, os.Mkdir(filepath.Join(dir, "pcieport"), 0o700))
	found, err := driversOf(dir)
	require.NoError(t, err)
	assert.Equal(t, map[string]bool{"e1000e": false, "nvidia": true, "pcieport": false}, found)
}

// A device whose number alone is known is found open, whichever of that number it is.
func TestOpenerByMajor(t *testing.T) {
	visible(t)
	opened, err := os.Open("/dev/null") // 1:3
	require.NoError(t, err)
	t.Cleanup(func() { _ = opened.Close() })
	list, err := processes()
	require.NoError(t, err)
	list = slices.DeleteFunc(list, func(p process) bool { return !strings.HasSuffix(p.title(), "(pid "+own(t)+")") })
	all := node{kind: character, at: facts.Devno{Major: 1, Minor: anyMinor}}
	found, err := openers(t.Context(), map[node]bool{all: true}, list, namespaces{})
	require.NoError(t, err)
	assert.Len(t, found[all], 1)
}

func own(t *testing.T) string {
	pid, err := os.Readlink("/proc/self")
	require.NoError(t, err)
	return pid
}
