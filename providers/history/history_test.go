package history

import (
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/watch"
)

var six = time.Date(2026, 11, 25, 6, 0, 0, 0, time.UTC)

func lent(controller string, n int) watch.Event {
	return watch.Event{At: six.Add(time.Duration(n) * time.Minute), Kind: watch.Lent, Controller: controller, Guest: "grading", Session: fmt.Sprint("boot/", n)}
}

func returned(controller string, n int) watch.Event {
	return watch.Event{At: six.Add(time.Duration(n) * time.Minute), Kind: watch.Returned, Controller: controller, Guest: "grading"}
}

func TestEventsComeBack(t *testing.T) {
	f := Folder{Path: filepath.Join(t.TempDir(), "new")}
	events, err := f.Read()
	require.NoError(t, err)
	assert.Empty(t, events)
	_, err = os.Stat(f.Path)
	assert.True(t, os.IsNotExist(err), "reading makes nothing")
	require.NoError(t, f.Append(lent("reel", 1)))
	require.NoError(t, f.Append(returned("reel", 2), lent("reel", 3)))
	events, err = f.Read()
	require.NoError(t, err)
	require.Len(t, events, 3)
	assert.Equal(t, 3, int(events[2].At.Sub(six).Minutes()))
	stat, err := os.Stat(filepath.Join(f.Path, current))
	require.NoError(t, err)
	assert.Equal(t, os.FileMode(0o600), stat.Mode().Perm())
}

// Cut off at every byte, history is read up to the last whole event, and goes
// on after it.
func TestCutOffAnywhere(t *testing.T) {
	f := Folder{Path: t.TempDir()}
	require.NoError(t, f.Append(lent("reel", 1), returned("reel", 2), lent("reel", 3)))
	name := filepath.Join(f.Path, current)
	whole, err := os.ReadFile(name)
	require.NoError(t, err)
	counts := map[int]int{}
	for cut := range len(whole) + 1 {
		require.NoError(t, os.WriteFile(name, whole[:cut], 0o600))
		before, err := f.Read()
		require.NoError(t, err)
		counts[len(before)]++
		require.NoError(t, f.Append(lent("spare", 4)))
		after, err := f.Read()
		require.NoError(t, err)
		require.Len(t, after, len(before)+1, "cut at %d", cut)
		require.Equal(t, "spare", after[len(before)].Controller)
	}
	assert.Len(t, counts, 4, "%v", counts)
}

// Many turns forget old lends, but never one that is open.
func TestHistoryIsBounded(t *testing.T) {
	f := Folder{Path: t.TempDir(), Limit: 4000}
	require.NoError(t, f.Append(watch.Event{At: six, Kind: watch.Began}, lent("spare", 0)))
	for n := range 200 {
		require.NoError(t, f.Append(lent("reel", n), returned("reel", n)))
		for _, name := range []string{current, old} {
			if stat, err := os.Stat(filepath.Join(f.Path, name)); err == nil {
				require.Less(t, stat.Size(), int64(5000), name)
			}
		}
	}
	events, err := f.Read()
	require.NoError(t, err)
	l := watch.Fold(events)
	require.Len(t, l.Lends, 1)
	assert.Equal(t, six, l.Lends["spare"].At)
	assert.True(t, l.Watched)
	assert.Less(t, len(events), 200)
	assert.Equal(t, 199, int(l.Last["reel"].At.Sub(six).Minutes()))
}

// A turn that is cut off between its two renames loses nothing.
func TestTurnCutOff(t *testing.T) {
	f := Folder{Path: t.TempDir()}
	require.NoError(t, f.Append(lent("reel", 1)))
	require.NoError(t, os.Rename(f.name(current), f.name(old)))
	require.NoError(t, Folder{Path: f.Path}.Append(lent("spare", 2)))
	require.NoError(t, os.Rename(f.name(current), f.name(made)))
	events, err := f.Read()
	require.NoError(t, err)
	require.Len(t, events, 2)
	require.NoError(t, f.Append(returned("reel", 3)))
	events, err = f.Read()
	require.NoError(t, err)
	require.Len(t, events, 3)
	_, err = os.Stat(f.name(made))
	assert.True(t, os.IsNotExist(err))
}

func TestDamageIsPutAside(t *testing.T) {
	f := Folder{Path: t.TempDir()}
	require.NoError(t, f.Append(lent("reel", 1), returned("reel", 2), lent("reel", 3)))
	name := filepath.Join(f.Path, current)
	content, err := os.ReadFile(name)
	require.NoError(t, err)
	content[20] ^= 1
	require.NoError(t, os.WriteFile(name, content, 0o600))
	_, err = f.Read()
	require.ErrorContains(t, err, "record 1 is damaged")
	require.Error(t, f.Append(lent("reel", 4)))
	aside, err := f.Mend()
	require.NoError(t, err)
	require.Len(t, aside, 1)
	kept, err := os.ReadFile(aside[0])
	require.NoError(t, err)
	assert.Equal(t, content, kept)
	require.NoError(t, f.Append(lent("reel", 5)))
	aside, err = f.Mend()
	require.NoError(t, err)
	assert.Empty(t, aside)
}

func TestNotes(t *testing.T) {
	f := Folder{Path: filepath.Join(t.TempDir(), "new")}
	list, damaged, err := f.Notes()
	require.NoError(t, err)
	assert.Empty(t, list)
	assert.Empty(t, damaged)
	for n := range 3 {
		require.NoError(t, f.Note(watch.Event{At: six.Add(time.Duration(n) * time.Second), Kind: watch.Checked, Guest: fmt.Sprint(n)}))
	}
	require.NoError(t, os.WriteFile(filepath.Join(f.Path, notes, "9-torn"), []byte(`{"v":1,"at`), 0o600))
	require.NoError(t, os.WriteFile(filepath.Join(f.Path, notes, half+"being-written"), nil, 0o600))
	list, damaged, err = f.Notes()
	require.NoError(t, err)
	require.Len(t, list, 3)
	assert.Equal(t, []string{"0", "1", "2"}, []string{list[0].Guest, list[1].Guest, list[2].Guest})
	assert.Equal(t, []string{"9-torn"}, damaged)
	require.NoError(t, f.Drop(list[0].Note, damaged[0], list[0].Note))
	list, damaged, err = f.Notes()
	require.NoError(t, err)
	assert.Len(t, list, 2)
	assert.Empty(t, damaged)
}

func TestNotesAreBounded(t *testing.T) {
	f := Folder{Path: t.TempDir()}
	for n := range maxNotes + 7 {
		require.NoError(t, f.Note(watch.Event{At: six.Add(time.Duration(n) * time.Second), Kind: watch.Checked, Guest: fmt.Sprint(n)}))
	}
	list, _, err := f.Notes()
	require.NoError(t, err)
	require.Len(t, list, maxNotes)
	assert.Equal(t, "7", list[0].Guest, "the oldest go first")
}

// Writers at the same time neither lose nor tear an event.
func TestManyWriters(t *testing.T) {
	f := Folder{Path: t.TempDir(), Limit: 1 << 20}
	var all sync.WaitGroup
	for n := range 8 {
		all.Go(func() {
			for range 10 {
				assert.NoError(t, f.Append(lent(fmt.Sprint(n), n)))
				assert.NoError(t, f.Note(watch.Event{At: six, Kind: watch.Checked, Guest: "g"}))
			}
		})
	}
	all.Wait()
	events, err := f.Read()
	require.NoError(t, err)
	assert.Len(t, events, 80)
	list, damaged, err := f.Notes()
	require.NoError(t, err)
	assert.Len(t, list, 80)
	assert.Empty(t, damaged)
}
