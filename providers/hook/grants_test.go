package hook

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/guard"
)

// clock is a moment that tests set.
type clock struct{ Moment }

func (c *clock) now() (Moment, error) { return c.Moment, nil }

func newGrants(t *testing.T) (Grants, *clock) {
	c := &clock{Moment{"this boot", time.Hour}}
	return Grants{filepath.Join(t.TempDir(), "run"), c.now}, c
}

var reel = guard.Grant{Guest: "grading", Address: facts.Address{Bus: 1}}

func list(t *testing.T, g Grants) []guard.Grant {
	made, err := g.List()
	require.NoError(t, err)
	return made
}

func TestGrants(t *testing.T) {
	g, now := newGrants(t)
	assert.Empty(t, list(t, g), "no folder, no start under way")

	done, err := g.Lock(time.Sleep)
	require.NoError(t, err)
	shelf := guard.Grant{Guest: "catalogue", Place: "/srv/shelf"}
	require.NoError(t, g.Grant([]guard.Grant{reel}))
	require.NoError(t, g.Grant([]guard.Grant{shelf, {Guest: "clerk", Place: "/srv/shelf"}}))
	assert.ElementsMatch(t, []guard.Grant{reel, shelf, {Guest: "clerk", Place: "/srv/shelf"}}, list(t, g), "two may live on one place")
	g.End("clerk")
	g.End("other")
	assert.ElementsMatch(t, []guard.Grant{reel, shelf}, list(t, g), "it is not the other's")
	g.End("grading")
	g.End("catalogue")
	assert.Empty(t, list(t, g))

	require.NoError(t, g.Grant([]guard.Grant{reel}))
	now.Since += GrantFor + time.Minute
	assert.Empty(t, list(t, g), "one that nobody ended")

	waited := time.Duration(0)
	_, err = g.Lock(func(d time.Duration) { waited += d })
	require.ErrorIs(t, err, ErrLocked, "somebody is at work")
	assert.Equal(t, LockWithin, waited)
	done()
	done, err = g.Lock(time.Sleep)
	require.NoError(t, err)
	done()
}

// A grant is of one start of the host, whatever its clock says, or the clocks of
// files: nothing of them may hold up starts and orders until the next boot.
func TestGrantsGoByNoClockThatIsSet(t *testing.T) {
	g, now := newGrants(t)
	require.NoError(t, g.Grant([]guard.Grant{reel}))
	files, err := filepath.Glob(filepath.Join(g.Folder, begins+"*"))
	require.NoError(t, err)
	require.Len(t, files, 1)
	require.NoError(t, os.Chtimes(files[0], time.Now().Add(100*time.Hour), time.Now().Add(100*time.Hour)))
	assert.Len(t, list(t, g), 1)
	now.Since += GrantFor + time.Second
	assert.Empty(t, list(t, g))

	require.NoError(t, g.Grant([]guard.Grant{reel}))
	now.Boot, now.Since = "the next boot", time.Second
	assert.Empty(t, list(t, g), "no start of then is under way")

	real, err := Now()
	require.NoError(t, err)
	assert.NotEmpty(t, real.Boot)
	assert.Positive(t, real.Since)
}

// What cannot be read counts, but not for ever.
func TestDamagedGrants(t *testing.T) {
	for name, damage := range map[string]func(t *testing.T, file string){
		"torn":           func(t *testing.T, file string) { require.NoError(t, os.WriteFile(file, []byte(`{"at"`), 0o600)) },
		"another's form": func(t *testing.T, file string) { require.NoError(t, os.WriteFile(file, []byte("grading"), 0o600)) },
		"empty":          func(t *testing.T, file string) { require.NoError(t, os.WriteFile(file, nil, 0o600)) },
		"of the future": func(t *testing.T, file string) {
			require.NoError(t, os.WriteFile(file, []byte(`{"at":{"boot":"this boot","since_ns":9000000000000000},"guest":"x","place":"/x"}`), 0o600))
		},
		"of no thing": func(t *testing.T, file string) {
			require.NoError(t, os.WriteFile(file, []byte(`{"at":{"boot":"this boot","since_ns":0},"guest":"x"}`), 0o600))
		},
		"longer than most": func(t *testing.T, file string) { require.NoError(t, os.WriteFile(file, make([]byte, maxOwn+1), 0o600)) },
	} {
		t.Run(name, func(t *testing.T) {
			g, now := newGrants(t)
			require.NoError(t, os.MkdirAll(g.Folder, 0o700))
			damage(t, filepath.Join(g.Folder, begins+"x"))
			for range 2 {
				_, err := g.List()
				require.ErrorContains(t, err, "holds for")
				now.Since += GrantFor / 3
			}
			now.Since += GrantFor
			assert.Empty(t, list(t, g))
		})
	}
}

func TestGrantsThatCannotBeRead(t *testing.T) {
	file := filepath.Join(t.TempDir(), "file")
	require.NoError(t, os.WriteFile(file, nil, 0o600))
	g := Grants{file, Now}
	_, err := g.List()
	assert.Error(t, err, "what cannot be read is not taken for none")
	_, err = g.Lock(time.Sleep)
	assert.Error(t, err)
	assert.Error(t, g.Grant([]guard.Grant{reel}))
	_, err = g.Queue("x", func() {}, 1)
	assert.Error(t, err)
}

// A pipe in the place of a grant, or of a lock, is not waited for.
func TestTurnAtAPipe(t *testing.T) {
	g, _ := newGrants(t)
	require.NoError(t, os.MkdirAll(g.Folder, 0o700))
	require.NoError(t, unix.Mkfifo(filepath.Join(g.Folder, begins+"x"), 0o600))
	_, err := g.List()
	require.ErrorContains(t, err, "cannot be read")
	require.NoError(t, unix.Mkfifo(filepath.Join(g.Folder, "turn"), 0o600))
	if done, err := g.Lock(time.Sleep); err == nil {
		done()
	}
}

// One process looks after what a guest let go, one waits, nobody else.
func TestQueue(t *testing.T) {
	g, _ := newGrants(t)
	first, err := g.Queue("grading", func() { t.Error("nobody is before it") }, 9)
	require.NoError(t, err)
	other, err := g.Queue("catalogue", func() { t.Error("another guest's is no matter") }, 9)
	require.NoError(t, err)
	other()
	waits := 0
	second, err := g.Queue("grading", func() {
		if waits++; waits == 2 {
			_, err := g.Queue("grading", func() {}, 9)
			assert.ErrorIs(t, err, ErrQueued, "one waits already")
			first()
		}
	}, 9)
	require.NoError(t, err)
	assert.Equal(t, 2, waits)
	_, err = g.Queue("grading", func() { waits++ }, 3)
	require.ErrorIs(t, err, ErrQueued, "it has waited long enough")
	assert.Equal(t, 5, waits)
	second()
}

// FuzzGranted: whatever is read of a grant is of one thing, and is read again as it
// was.
func FuzzGranted(f *testing.F) {
	f.Add([]byte(`{"at":{"boot":"b","since_ns":1},"guest":"grading","function":"0000:01:00.0"}`))
	f.Add([]byte(`{"at":{"boot":"b","since_ns":1},"guest":"catalogue","place":"/srv/shelf"}`))
	f.Fuzz(func(t *testing.T, content []byte) {
		g, err := readGranted(content)
		if err == nil && g.Guest != "" {
			require.NotEqual(t, g.Function == nil, g.Place == "")
		}
	})
}
