package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/history"
	"lendkeep/providers/memory"
	"lendkeep/reconcile/watch"
)

// The watch is killed at thirty moments, most of them while it begins and
// writes, and a guest starts or ends in between. Whatever was reached, history
// can be read, no lend is there twice or without its return, and the last look
// knows what the host shows.
func TestKilledWatch(t *testing.T) {
	program, err := exec.LookPath("lendkeep") // this test binary, under its own name
	require.NoError(t, err)
	folder := lending(t)
	kept := history.Folder{Path: filepath.Join(folder, "journals")}
	reached := map[int]bool{}
	began := time.Now() // a machine that is busy takes its time for each look
	require.NoError(t, exec.Command(program, "watch", "--once", "--stand-in", folder).Run())
	look := time.Since(began)
	for n := range 30 {
		toggle(t, folder, n%2 == 0)
		process := exec.Command(program, "watch", "--stand-in", folder)
		require.NoError(t, process.Start())
		time.Sleep(time.Duration(n) * look / 10)
		require.NoError(t, process.Process.Kill())
		_ = process.Wait()
		events, err := kept.Read()
		require.NoError(t, err)
		sound(t, events)
		reached[len(events)] = true
	}
	assert.Greater(t, len(reached), 5, "it was never killed late enough to have written anything")
	toggle(t, folder, true)
	must(t, "watch", "--once", "--stand-in", folder)
	events, err := kept.Read()
	require.NoError(t, err)
	assert.Empty(t, sound(t, events), "the guest is off")
	toggle(t, folder, false)
	must(t, "watch", "--once", "--stand-in", folder)
	events, err = kept.Read()
	require.NoError(t, err)
	assert.Equal(t, map[string]string{"reel": "grading"}, sound(t, events))
}

// lending gives a stand-in host on which grading runs with reel, of which
// nothing is mounted: so no look has anything to wait for.
func lending(t *testing.T) string {
	folder, _ := standIn(t)
	layout := t.TempDir()
	require.NoError(t, os.WriteFile(filepath.Join(layout, "larch.hcl"), []byte(`
host "larch" {}
controller "reel" {
  nvme { serial = "RL-4410-0073" }
}
guest "grading" { borrows = [controller.reel] }
shift "day" { guests = [guest.grading] }
`), 0o600))
	survey := filepath.Join(folder, "survey.json")
	content, err := os.ReadFile(survey)
	require.NoError(t, err)
	free := strings.ReplaceAll(string(content), `"path": "/srv/shelf"`, `"path": "/mnt"`)
	require.NoError(t, os.WriteFile(survey, []byte(free), 0o600))
	host, err := memory.Load(folder, nil)
	require.NoError(t, err)
	require.NoError(t, host.Unmount(t.Context(), "/mnt"))
	name := filepath.Join(folder, "day.order")
	out := must(t, "plan", layout, "--shift", "day", "--stand-in", folder, "-o", name)
	_, rest, found := strings.Cut(out, "Approval code: ")
	require.True(t, found, out)
	must(t, "apply", name, "--approve", strings.Fields(rest)[0], "--stand-in", folder)
	return folder
}

// toggle ends the guest that borrows, or starts it.
func toggle(t *testing.T, folder string, off bool) {
	host, err := memory.Load(folder, nil)
	require.NoError(t, err)
	if off {
		err = host.EndByHand("grading")
	} else {
		err = host.StartByHand(t.Context(), "grading")
	}
	if err != nil && !strings.Contains(err.Error(), "does not run") {
		require.NoError(t, err)
	}
}

// sound holds that lends and returns alternate, and gives the open lends.
func sound(t *testing.T, events []watch.Event) map[string]string {
	open := map[string]string{}
	for _, e := range events {
		switch e.Kind {
		case watch.Lent:
			require.Empty(t, open[e.Controller])
			open[e.Controller] = e.Guest
		case watch.Returned:
			require.Equal(t, e.Guest, open[e.Controller])
			delete(open, e.Controller)
		}
	}
	return open
}

// A watch that is killed with half an event on the disk goes on after the last
// whole one.
func TestWatchAfterEveryCut(t *testing.T) {
	folder := lending(t)
	must(t, "watch", "--once", "--stand-in", folder)
	toggle(t, folder, true)
	must(t, "watch", "--once", "--stand-in", folder)
	name := filepath.Join(folder, "journals", "history")
	whole, err := os.ReadFile(name)
	require.NoError(t, err)
	for cut := 0; cut <= len(whole); cut += 37 {
		require.NoError(t, os.WriteFile(name, whole[:cut], 0o600))
		must(t, "watch", "--once", "--stand-in", folder)
		events, err := history.Folder{Path: filepath.Dir(name)}.Read()
		require.NoError(t, err)
		require.Empty(t, sound(t, events), "cut at %d", cut)
	}
}
