package memory_test

import (
	"encoding/json"
	"flag"
	"os"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/memory"
	"lendkeep/reconcile/invented"
	"lendkeep/reconcile/speed"
)

var update = flag.Bool("update", false, "make larch.agents.json anew")

// larchAgents is what guests of the invented host larch say, beside its survey.
const larchAgents = "../../testdata/hosts/larch.agents.json"

// TestLarchAgents holds that the file is what is said here to be invented: nobody has
// measured any of it.
func TestLarchAgents(t *testing.T) {
	content, err := json.MarshalIndent(map[string]any{"agents": []memory.Agent{{
		Guest:   "grading",
		System:  json.RawMessage(`{"id":"mswindows","pretty-name":"Windows 11 Pro","kernel-release":"22631","kernel-version":"10.0","machine":"x86_64"}`),
		Virtual: recorded(t, throughTheHost),
		Lent:    recorded(t, lent),
	}}}, "", " ")
	require.NoError(t, err)
	content = append(content, '\n')
	if *update {
		require.NoError(t, os.WriteFile(larchAgents, content, 0o644))
	}
	kept, err := os.ReadFile(larchAgents)
	require.NoError(t, err)
	assert.JSONEq(t, string(content), string(kept), "go test ./providers/memory -run TestLarchAgents -update")
}

// drive is how a drive is seen in the invented guest, and how fast it is in
// operations or, in order, megabytes a second.
type drive struct {
	began    time.Time
	name     string
	driver   string
	of       speed.Drive
	readAll  float64 // MB/s in order
	writeAll float64
	read     [2]float64 // operations a second at random, at depth 1 and 32
	write    [2]float64
}

var throughTheHost = drive{time.Date(2026, 11, 24, 19, 2, 0, 0, time.UTC), "PhysicalDrive0", "viostor",
	speed.Drive{Model: "VirtIO disk", Bus: "virtio", SizeBytes: 64 << 30, SectorBytes: 512}, 131, 104, [2]float64{2900, 17200}, [2]float64{2400, 14100}}

var lent = drive{time.Date(2026, 11, 25, 18, 40, 0, 0, time.UTC), "PhysicalDrive0", "stornvme",
	speed.Drive{Model: "QEMU NVMe Ctrl", Serial: "RL-4410-0073", Bus: "nvme", SizeBytes: 2 << 30, SectorBytes: 512}, 204, 193, [2]float64{6300, 44800}, [2]float64{5900, 39700}}

func recorded(t *testing.T, d drive) json.RawMessage {
	r := invented.Measured("recorded", func(k speed.Kind, i int) float64 {
		wobble := 1 + float64(i-2)/100
		switch {
		case k.Access == speed.Sequential && k.Deed == speed.Read:
			return d.readAll * 1e6 * wobble
		case k.Access == speed.Sequential:
			return d.writeAll * 1e6 * wobble
		}
		rates := d.read
		if k.Deed == speed.Write {
			rates = d.write
		}
		rate := rates[0]
		if k.Depth > 1 {
			rate = rates[1]
		}
		return rate * float64(k.BlockBytes) * wobble
	})
	took := r.Clock.Took
	r.Clock.Began = d.began
	r.Clock.Ended = d.began.Add(took).Truncate(time.Second)
	r.Place = speed.Place{System: "windows", Machine: "amd64", Name: "Windows 11 Pro (invented)", Release: "10.0.22631", Processors: 2, MemoryBytes: 1 << 30}
	r.Target = speed.Target{Form: speed.Folder, Path: `C:\Windows\Temp\lendkeep-recorded`, Filesystem: "NTFS", Block: d.name, Driver: d.driver, Drive: d.of}
	r.Method.Through = speed.Ways[len(speed.Ways)-1]
	r.Program = "0.1.0"
	content, err := r.Encode()
	require.NoError(t, err)
	return content
}
