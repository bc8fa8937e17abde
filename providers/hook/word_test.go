package hook

import (
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/guard"
)

func newWord(t *testing.T) (Word, *clock) {
	c := &clock{Moment{Boot: "this boot"}}
	return Word{filepath.Join(t.TempDir(), "run"), c.now}, c
}

func TestWord(t *testing.T) {
	w, now := newWord(t)
	assert.False(t, w.Heard().Told, "nothing was said")
	said := guard.Ordered{Guests: []string{"grading"}, Mounts: []string{"/srv/shelf"}, Start: "grading",
		Takes: []facts.Identity{{Controller: "reel", Address: facts.Address{Bus: 1}, Serial: "RL-4410-0073"}}}
	require.NoError(t, w.Tell(said))
	heard := w.Heard()
	said.Told = true
	assert.Equal(t, said, heard)
	stat, err := os.Stat(w.file())
	require.NoError(t, err)
	assert.Equal(t, os.FileMode(0o600), stat.Mode())

	now.Boot = "the next boot"
	assert.Equal(t, guard.Ordered{}, w.Heard(), "a crash left it")
	now.Boot = "this boot"
	require.NoError(t, w.Withdraw())
	assert.Equal(t, guard.Ordered{}, w.Heard())
	require.NoError(t, w.Withdraw(), "once is enough")
}

// A word outlives nobody: neither a process that has ended nor one whose number
// another has by now.
func TestWordOfNobody(t *testing.T) {
	w, _ := newWord(t)
	gone := exec.Command("true")
	require.NoError(t, gone.Run())
	mine, err := began(os.Getpid())
	require.NoError(t, err)
	require.NoError(t, os.MkdirAll(w.Folder, 0o700))
	for name, s := range map[string]spoken{
		"a process that has ended": {Boot: "this boot", PID: gone.Process.Pid, Began: mine},
		"another of that number":   {Boot: "this boot", PID: os.Getpid(), Began: mine + 1},
		"no process":               {Boot: "this boot", PID: -1, Began: mine},
	} {
		s.Ordered = guard.Ordered{Guests: []string{}, Mounts: []string{}, Takes: []facts.Identity{}}
		content, err := json.Marshal(s)
		require.NoError(t, err)
		require.NoError(t, os.WriteFile(w.file(), content, 0o600))
		assert.False(t, w.Heard().Told, name)
	}
	for name, content := range map[string]string{"torn": `{"boot"`, "nothing": "", "a key too many": `{"boot":"this boot","pid":1,"began":1,"guests":[],"mounts":[],"takes":[],"told":true}`} {
		require.NoError(t, os.WriteFile(w.file(), []byte(content), 0o600))
		assert.Equal(t, guard.Ordered{}, w.Heard(), name)
	}
	require.NoError(t, os.Remove(w.file()))
	require.NoError(t, unix.Mkfifo(w.file(), 0o600))
	assert.Equal(t, guard.Ordered{}, w.Heard(), "a pipe is not waited for")
}

// FuzzSpoken: no content of the file says more than its own fields.
func FuzzSpoken(f *testing.F) {
	f.Add([]byte(`{"boot":"b","pid":7,"began":9,"guests":["grading"],"mounts":["/srv/shelf"],"start":"grading","takes":[{"controller":"reel","address":"0000:01:00.0","vendor":"1b36","device":"0010","serial":"x"}]}`))
	f.Fuzz(func(t *testing.T, content []byte) {
		s, err := readSpoken(content)
		if err != nil {
			return
		}
		require.False(t, s.Told)
		again, err := json.Marshal(s)
		require.NoError(t, err)
		twice, err := readSpoken(again)
		require.NoError(t, err)
		require.Equal(t, s, twice)
	})
}
