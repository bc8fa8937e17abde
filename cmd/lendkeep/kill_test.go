package main

import (
	"bytes"
	"errors"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/memory"
	"lendkeep/reconcile/carry"
	"lendkeep/reconcile/journal"
)

// killRounds is how many orders are killed; make kill-test asks for many more.
const killRounds = 40

// The real process is killed at random moments of apply, and of the resume or
// rollback that follows, several times over. Whatever was reached, the journal
// alone brings the host to where it says: byte for byte as before, or as planned.
func TestKilledOrders(t *testing.T) {
	rounds := killRounds
	if asked := os.Getenv("LENDKEEP_KILLS"); asked != "" {
		var err error
		rounds, err = strconv.Atoi(asked)
		require.NoError(t, err)
	}
	k := newKiller(t)
	kills, inside := map[string]int{}, 0
	for n := range rounds {
		for _, name := range []string{memory.File, "journals"} {
			require.NoError(t, os.RemoveAll(filepath.Join(k.folder, name)))
		}
		if k.kill(t, "apply", k.order, "--approve", k.code) {
			kills["apply"]++
		}
		if o := k.outline(t); o.Begun && o.Ended == "" {
			inside++
		}
		for range rand.IntN(3) {
			way := []string{"resume", "rollback"}[rand.IntN(2)]
			if k.kill(t, way) {
				kills[way]++
			}
		}
		k.recover(t, n)
	}
	t.Logf("%d rounds: killed %v; %d of them inside an apply, by its journal", rounds, kills, inside)
	assert.GreaterOrEqual(t, inside, rounds*3/10)
	for _, command := range []string{"apply", "resume", "rollback"} {
		assert.Positive(t, kills[command], command)
	}
}

// killer is a stand-in host, an order for it, and how the host stands before and
// after it.
type killer struct {
	program, folder, order, code string
	before, planned              string
	records                      int           // of a whole apply's journal
	takes                        time.Duration // a whole apply
}

func newKiller(t *testing.T) *killer {
	program, err := exec.LookPath("lendkeep") // this test binary, under its own name
	require.NoError(t, err)
	folder, _ := standIn(t)
	k := &killer{program: program, folder: folder}
	k.before = k.stands(t)
	k.order, k.code = dayOrder(t, folder)
	start := time.Now()
	out, err := exec.Command(program, "apply", k.order, "--approve", k.code, "--stand-in", folder).CombinedOutput()
	require.NoError(t, err, string(out))
	k.takes, k.records, k.planned = time.Since(start), k.written(), k.stands(t)
	require.Greater(t, k.records, 5)
	require.NotEqual(t, k.before, k.planned)
	return k
}

func (k *killer) journal() string { return filepath.Join(k.folder, "journals", numbered(1)) }

// written counts the records that are in the journal at this moment.
func (k *killer) written() int {
	content, _ := os.ReadFile(k.journal()) // there may be none yet
	return bytes.Count(content, []byte("\n"))
}

func (k *killer) outline(t *testing.T) carry.Outline {
	records, err := journal.ReadFile(k.journal())
	if errors.Is(err, os.ErrNotExist) {
		return carry.Outline{}
	}
	require.NoError(t, err)
	o, err := carry.Outlined(records)
	require.NoError(t, err)
	return o
}

func (k *killer) stands(t *testing.T) string {
	host, err := memory.Load(k.folder, nil)
	require.NoError(t, err)
	survey, err := host.Survey(t.Context())
	require.NoError(t, err)
	var content bytes.Buffer
	require.NoError(t, survey.Encode(&content))
	return content.String()
}

// kill starts a command and kills it: two times out of three a moment after it has
// written so many records, else at any moment of the time that an apply takes. It
// tells whether the command was still running.
func (k *killer) kill(t *testing.T, arguments ...string) bool {
	command := exec.Command(k.program, append(arguments, "--stand-in", k.folder)...)
	before := k.written()
	require.NoError(t, command.Start())
	ended := make(chan error, 1)
	go func() { ended <- command.Wait() }()
	moment := time.After(rand.N(k.takes))
	if rand.IntN(3) > 0 {
		want := before + 1 + rand.IntN(k.records-1)
		for k.written() < want && len(ended) == 0 {
			time.Sleep(100 * time.Microsecond)
		}
		moment = time.After(rand.N(10 * time.Millisecond))
	}
	select {
	case <-ended:
		return false
	case <-moment:
		_ = command.Process.Kill() // it may end by itself at this moment
		<-ended
		return !command.ProcessState.Exited()
	}
}

// recover brings an order to its end in one way or the other, and holds the host
// against what its journal says then.
func (k *killer) recover(t *testing.T, round int) {
	way := []string{"resume", "rollback"}[rand.IntN(2)]
	out, err := exec.Command(k.program, way, "--stand-in", k.folder).CombinedOutput()
	o := k.outline(t)
	for _, fine := range []string{"no order was carried out", "nothing to go on with", "nothing to undo"} {
		if strings.Contains(string(out), fine) {
			err = nil
		}
	}
	require.NoError(t, err, "round %d, %s: %s", round, way, out)
	want := k.before
	switch {
	case !o.Begun, o.Ended == carry.Restored:
	case o.Ended == carry.Carried:
		want = k.planned
	default:
		t.Fatalf("round %d, %s: the order ended as %q: %s", round, way, o.Ended, out)
	}
	require.Equal(t, want, k.stands(t), "round %d, %s: %s", round, way, out)
	if o.Ended == carry.Carried {
		out, err = exec.Command(k.program, "rollback", "--stand-in", k.folder).CombinedOutput()
		require.NoError(t, err, string(out))
		require.Equal(t, k.before, k.stands(t), "round %d, rolled back after %s: %s", round, way, out)
	}
}

func standIn(t *testing.T) (folder, survey string) {
	folder = t.TempDir()
	must(t, "survey", "--root", "../../testdata/hosts/larch.txtar", "-o", filepath.Join(folder, "survey.json"))
	return folder, surveyOf(t, folder)
}

func dayOrder(t *testing.T, folder string) (name, code string) { return orderOf(t, folder, "day") }

func orderOf(t *testing.T, folder, shift string) (name, code string) {
	name = filepath.Join(folder, shift+".order")
	out := must(t, "plan", "../../examples/larch", "--shift", shift, "--stand-in", folder, "-o", name)
	_, rest, found := strings.Cut(out, "Approval code: ")
	require.True(t, found)
	return name, strings.Fields(rest)[0]
}

func surveyOf(t *testing.T, folder string) string {
	name := filepath.Join(t.TempDir(), "now.json")
	must(t, "survey", "--stand-in", folder, "-o", name)
	content, err := os.ReadFile(name)
	require.NoError(t, err)
	return string(content)
}
