package main

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/memory"
	"lendkeep/reconcile/carry"
	"lendkeep/reconcile/journal"
)

// rolled is the same records with everything undone at their end.
func rolled(records []carry.Record) []carry.Record {
	return append(records[:len(records):len(records)], carry.Record{Event: carry.Rollback, Note: carry.AskedFor}, carry.Record{Event: carry.End, Result: carry.Restored, Note: carry.AskedFor})
}

// rollback is about the newest order that has not ended, else the newest that was
// carried out, however many were rolled back after it.
func TestRollbackGoesByNumber(t *testing.T) {
	whole := written(t)
	now := time.Now()
	for name, c := range map[string]struct {
		lay     func(folder string)
		about   string // empty: nothing
		earlier bool
		refused string
	}{
		"nothing":  {func(string) {}, "", false, ""},
		"the only": {func(f string) { lay(t, f, first, 1, now, whole) }, first, false, ""},
		"the newest": {func(f string) {
			lay(t, f, first, 1, now, whole)
			lay(t, f, second, 2, now, whole)
		}, second, false, ""},
		"one further back": {func(f string) {
			lay(t, f, first, 1, now, whole)
			lay(t, f, second, 2, now, rolled(whole))
		}, first, true, ""},
		"over two": {func(f string) {
			lay(t, f, first, 1, now, whole)
			lay(t, f, second, 2, now, rolled(whole))
			lay(t, f, third, 3, now, rolled(whole))
		}, first, true, ""},
		"the newest after one that was rolled back": {func(f string) {
			lay(t, f, first, 1, now, rolled(whole))
			lay(t, f, second, 2, now, whole)
		}, second, false, ""},
		"one that was cut off before": {func(f string) {
			lay(t, f, first, 1, now, whole[:3])
			lay(t, f, second, 2, now, rolled(whole))
		}, first, false, ""},
		"every one is rolled back": {func(f string) {
			lay(t, f, first, 1, now, rolled(whole))
			lay(t, f, second, 2, now, rolled(whole))
		}, second, false, ""},
		"without a number": {func(f string) {
			lay(t, f, olden, 0, now, whole)
			lay(t, f, first, 1, now, rolled(whole))
		}, olden, true, "its journal has no number"},
		"without a number, the newest": {func(f string) { lay(t, f, olden, 0, now, whole) }, olden, false, ""},
	} {
		t.Run(name, func(t *testing.T) {
			folder := t.TempDir()
			c.lay(folder)
			p, err := readPast(folder, "")
			require.NoError(t, err)
			b, _, after, found, err := p.undoable(t.Context())
			if c.refused != "" {
				require.ErrorContains(t, err, c.refused)
				return
			}
			require.NoError(t, err)
			require.Equal(t, c.about != "", found)
			assert.Equal(t, c.earlier, after != nil)
			if found {
				assert.Equal(t, c.about, filepath.Base(b.file))
			}
		})
	}
}

// A rollback after an apply that failed, and was undone by itself, does not reach for
// the order before, unless that is said.
func TestRollbackAfterAFailureIsNotFurtherBack(t *testing.T) {
	folder, before := standIn(t)
	day, code := dayOrder(t, folder)
	must(t, "apply", day, "--approve", code, "--stand-in", folder)
	records, err := journal.ReadFile(filepath.Join(folder, "journals", first))
	require.NoError(t, err)
	failed := []carry.Record{}
	for _, content := range records[:1] {
		var r carry.Record
		require.NoError(t, json.Unmarshal(content, &r))
		failed = append(failed, r)
	}
	why := "step 1 failed: the drive is gone"
	failed = append(failed, carry.Record{Event: carry.Rollback, Note: why}, carry.Record{Event: carry.End, Result: carry.Restored, Note: why})
	lay(t, filepath.Join(folder, "journals"), second, 2, time.Now(), failed)

	var stdout, stderr bytes.Buffer
	assert.Equal(t, exitUsage, run(t.Context(), []string{"rollback", "--stand-in", folder}, strings.NewReader(""), &stdout, &stderr))
	assert.Contains(t, stderr.String(), "undone by itself: "+why)
	assert.Contains(t, stderr.String(), "lendkeep rollback")
	assert.Contains(t, stderr.String(), "--further")
	assert.Empty(t, stdout.String())
	must(t, "rollback", "--further", "--stand-in", folder)
	assert.Equal(t, before, surveyOf(t, folder))
}

// An order further back is undone only while all of it stands, and else named
// with what does not.
func TestRollbackFurtherBackIsRefused(t *testing.T) {
	folder, _ := standIn(t)
	day, code := dayOrder(t, folder)
	must(t, "apply", day, "--approve", code, "--stand-in", folder)
	night := filepath.Join(folder, "night.order")
	out := must(t, "plan", "../../examples/larch", "--shift", "night", "--stand-in", folder, "-o", night)
	_, rest, _ := strings.Cut(out, "Approval code: ")
	must(t, "apply", night, "--approve", strings.Fields(rest)[0], "--stand-in", folder)
	must(t, "rollback", "--stand-in", folder)
	h, err := memory.Load(folder, nil)
	require.NoError(t, err)
	require.NoError(t, h.Ports().Guests.Stop(t.Context(), "grading", time.Minute))
	before, err := os.ReadFile(filepath.Join(folder, "host.json"))
	require.NoError(t, err)

	var stdout, stderr bytes.Buffer
	assert.Equal(t, exitStale, run(t.Context(), []string{"rollback", "--stand-in", folder}, strings.NewReader(""), &stdout, &stderr))
	assert.Contains(t, stderr.String(), "order "+code+" of ")
	assert.Contains(t, stderr.String(), "not all that the order has left still stands: step 4 (start guest grading, which borrows reel): grading is shut off; nothing was touched")
	after, err := os.ReadFile(filepath.Join(folder, "host.json"))
	require.NoError(t, err)
	assert.Equal(t, string(before), string(after))
	journals, err := filepath.Glob(filepath.Join(folder, "journals", "*.journal"))
	require.NoError(t, err)
	assert.Len(t, journals, 2)
	assert.Contains(t, must(t, "status", "--orders", "--stand-in", folder), "rolled back")
}
