package memory_test

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/agent"
	"lendkeep/providers/memory"
	"lendkeep/reconcile/invented"
	"lendkeep/reconcile/speed"
)

// fast runs at so many megabytes a second, a little faster each time.
func fast(mb float64) func(speed.Kind, int) float64 {
	return func(_ speed.Kind, i int) float64 { return (mb + float64(i)) * 1e6 }
}

// What systems say of themselves (guest-get-osinfo).
const (
	debian  = `{"id": "debian", "pretty-name": "Debian GNU/Linux 12 (bookworm)", "kernel-release": "6.1.0-56-amd64", "kernel-version": "#1 SMP Debian 6.1.170-1", "machine": "x86_64"}`
	windows = `{"id": "mswindows", "pretty-name": "Windows 11 Pro", "kernel-release": "22631", "kernel-version": "10.0", "machine": "x86_64"}`
)

// spoken makes a stand-in host's folder, with a guest that runs and has an agent.
func spoken(t *testing.T, a memory.Agent) *memory.Host {
	folder := t.TempDir()
	builder := invented.NewBuilder()
	builder.Guest("grading", "")
	var survey bytes.Buffer
	require.NoError(t, builder.Survey.Encode(&survey))
	require.NoError(t, os.WriteFile(filepath.Join(folder, memory.FirstFile), survey.Bytes(), 0o600))
	if a.Guest != "" {
		content, err := json.Marshal(map[string]any{"agents": []memory.Agent{a}})
		require.NoError(t, err)
		require.NoError(t, os.WriteFile(filepath.Join(folder, memory.AgentsFile), content, 0o600))
	}
	h, err := memory.Load(folder, nil)
	require.NoError(t, err)
	_, err = agent.Meet(t.Context(), h, "grading")
	require.ErrorContains(t, err, "domain is not running")
	require.NoError(t, h.Start(t.Context(), "grading"))
	return h
}

func virtual(t *testing.T) json.RawMessage {
	content, err := invented.Measured("recorded", fast(500)).Encode()
	require.NoError(t, err)
	return content
}

func errand(label string) agent.Errand {
	return agent.Errand{
		Name: "lendkeep-measure", Program: []byte("a program"), Leaves: "result.json", Most: speed.MaxBytes, Notes: "progress",
		Arguments: func(r *agent.Room) []string {
			return []string{"--label", label, "--json", r.Join("result.json"), "--progress", r.Join("progress")}
		},
		Sent: func(int, int) {}, Noted: func(string, int) {},
	}
}

// A stand-in's guest is asked as a real one is, and gives what is kept of it.
func TestAgentOfAStandIn(t *testing.T) {
	for kind, system := range map[agent.Kind]string{agent.Linux: debian, agent.Windows: windows} {
		h := spoken(t, memory.Agent{Guest: "grading", System: json.RawMessage(system), Virtual: virtual(t)})
		g, err := agent.Meet(t.Context(), h, "grading")
		require.NoError(t, err)
		assert.Equal(t, kind, g.System.Kind)
		noted := ""
		e := errand("before")
		e.Noted = func(line string, _ int) { noted = line }
		content, err := g.Do(t.Context(), e)
		require.NoError(t, err)
		r, err := speed.Decode(content)
		require.NoError(t, err)
		assert.Equal(t, "before", r.Label)
		assert.Contains(t, noted, "random read")
		assert.Empty(t, h.InGuest("grading"), "something is left in the guest")
	}
}

func TestAgentOfAStandInThatFails(t *testing.T) {
	system := json.RawMessage(debian)
	for name, c := range map[string]struct {
		agent memory.Agent
		says  string
	}{
		"no agent":           {memory.Agent{}, "QEMU guest agent is not configured"},
		"blocked":            {memory.Agent{Guest: "grading", System: system, Blocked: []string{"guest-exec"}}, "may not do guest-exec"},
		"no room":            {memory.Agent{Guest: "grading", System: system, FailsWith: "no room"}, "code 1: no room"},
		"nothing kept of it": {memory.Agent{Guest: "grading", System: system}, "no result is kept"},
		"off at once":        {memory.Agent{Guest: "grading", System: system, OffAfter: 2}, "domain is not running"},
		"off in the middle":  {memory.Agent{Guest: "grading", System: system, OffAfter: 15, Virtual: virtual(t)}, "something is left in the guest"},
	} {
		t.Run(name, func(t *testing.T) {
			g, err := agent.Meet(t.Context(), spoken(t, c.agent), "grading")
			if err == nil {
				_, err = g.Do(t.Context(), errand("before"))
			}
			assert.ErrorContains(t, err, c.says)
		})
	}
}
