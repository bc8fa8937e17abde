package watch_test

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/watch"
	"lendkeep/testdata/outside"
)

// exposure is what systemd-analyze of Debian 12 (systemd 252) says of the unit,
// from 0 to 10; the README has it too.
const exposure = 4.8

func TestUnitIsHeldAsFarAsBefore(t *testing.T) {
	if _, err := exec.LookPath("systemd-analyze"); err != nil {
		outside.Missing(t, "systemd-analyze (Debian: systemd) is not here")
	}
	said, err := exec.Command("systemd-analyze", "--version").Output()
	require.NoError(t, err)
	if !strings.HasPrefix(string(said), "systemd 252 ") {
		t.Skipf("every version of systemd-analyze counts in its own way, and this is not 252: %.20s", said)
	}
	unit := filepath.Join(t.TempDir(), "lendkeep-watch.service")
	require.NoError(t, os.WriteFile(unit, []byte(watch.Unit), 0o600))
	said, err = exec.Command("systemd-analyze", "security", "--offline=true", "--no-pager", unit).CombinedOutput()
	require.NoError(t, err, "%s", said)
	figure := regexp.MustCompile(`Overall exposure level for lendkeep-watch.service: ([0-9.]+)`).FindSubmatch(said)
	require.NotNil(t, figure, "%s", said)
	now, err := strconv.ParseFloat(string(figure[1]), 64)
	require.NoError(t, err)
	assert.LessOrEqual(t, now, exposure)
	readme, err := os.ReadFile("../../README.md")
	require.NoError(t, err)
	assert.Contains(t, string(readme), "exposure level of "+string(figure[1]))
}

// Options that give a service a mount namespace of its own, or may in a later
// systemd, are not among these (systemd 252, src/core/execute.c,
// exec_needs_mount_namespace).
func TestUnitMakesNoMountNamespace(t *testing.T) {
	harmless := map[string]bool{"Type": true, "ExecStart": true, "StandardOutput": true, "Restart": true, "RestartSec": true, "WatchdogSec": true,
		"UMask": true, "LimitCORE": true, "TasksMax": true, "CapabilityBoundingSet": true, "RestrictNamespaces": true, "SystemCallFilter": true,
		"SystemCallErrorNumber": true, "SystemCallArchitectures": true, "DevicePolicy": true, "DeviceAllow": true, "RestrictAddressFamilies": true,
		"LockPersonality": true, "RestrictRealtime": true, "RestrictSUIDSGID": true, "ProtectClock": true, "ProtectHostname": true, "KeyringMode": true}
	_, service, found := strings.Cut(watch.Unit, "\n[Service]\n")
	require.True(t, found)
	service, _, _ = strings.Cut(service, "\n[")
	for line := range strings.Lines(service) {
		if line = strings.TrimSpace(line); line == "" || strings.HasPrefix(line, "#") {
			continue
		}
		key, _, _ := strings.Cut(line, "=")
		assert.True(t, harmless[key], "%s: whether it makes a mount namespace is not known", key)
	}
}
