package person_test

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/person"
	"lendkeep/reconcile/step"
)

func TestDesk(t *testing.T) {
	ask := &step.ByHand{Guest: "grading", System: "windows", Hand: "encryption", Keep: "k"}
	for answer, kept := range map[string]bool{"grading\n": true, "  grading \n": true, "\n": false, "y\n": false, "": false, "catalogue\n": false} {
		file := person.File{Path: filepath.Join(t.TempDir(), "sub", "confirmed.json")}
		var out bytes.Buffer
		err := person.Desk{Keeps: file, In: strings.NewReader(answer), Out: &out}.Confirm(context.Background(), ask)
		assert.Equal(t, kept, err == nil, "%q: %v", answer, err)
		assert.Contains(t, out.String(), "manage-bde")
		list, err := file.Read()
		require.NoError(t, err)
		if kept {
			assert.Equal(t, []string{"k: suspend drive encryption"}, list)
			require.NoError(t, file.Forget(context.Background(), ask))
			list, err = file.Read()
			require.NoError(t, err)
		}
		assert.Empty(t, list)
	}
}

// Two questions of one input each take their own line.
func TestDeskLeavesTheRest(t *testing.T) {
	file := person.File{Path: filepath.Join(t.TempDir(), "confirmed.json")}
	desk := person.Desk{Keeps: file, In: strings.NewReader("grading\ngrading\n"), Out: &bytes.Buffer{}}
	for _, what := range []string{"driver", "encryption"} {
		require.NoError(t, desk.Confirm(context.Background(), &step.ByHand{Guest: "grading", System: "windows", Hand: what}))
	}
	list, err := file.Read()
	require.NoError(t, err)
	assert.Equal(t, []string{": see that Windows starts its NVMe driver by itself", ": suspend drive encryption"}, list)
}

func TestDeskWithNobody(t *testing.T) {
	file := person.File{Path: filepath.Join(t.TempDir(), "confirmed.json")}
	ask := &step.ByHand{Guest: "grading", System: "linux", Hand: "names"}
	require.ErrorContains(t, person.Desk{Keeps: file}.Confirm(context.Background(), ask), "nobody is there")
	require.NoError(t, person.Desk{Keeps: file, Confirmed: []string{"grading"}}.Confirm(context.Background(), ask))

	hang, write, err := os.Pipe()
	require.NoError(t, err)
	defer write.Close()
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	require.ErrorIs(t, person.Desk{Keeps: file, In: hang, Out: &bytes.Buffer{}}.Confirm(ctx, ask), context.Canceled)
}

func TestDamagedFile(t *testing.T) {
	path := filepath.Join(t.TempDir(), "confirmed.json")
	require.NoError(t, os.WriteFile(path, []byte("{"), 0o600))
	_, err := person.File{Path: path}.Read()
	require.ErrorContains(t, err, path)
}

// late is a context that has ended, and is asked for that only once a line was typed.
type late struct {
	context.Context
	typed chan struct{}
}

func (l late) Done() <-chan struct{} {
	<-l.typed
	time.Sleep(time.Millisecond) // until the line is there to be taken
	return l.Context.Done()
}

// types gives a line and tells that it did.
type types struct {
	*strings.Reader
	typed chan struct{}
}

func (r types) Read(p []byte) (int, error) {
	n, err := r.Reader.Read(p)
	if r.Len() == 0 {
		close(r.typed)
	}
	return n, err
}

// Once the asking has ended nothing is an answer, also where a line is there already.
func TestNoLineAfterTheEnd(t *testing.T) {
	over, cancel := context.WithCancel(t.Context())
	cancel()
	for range 50 {
		typed := make(chan struct{})
		line, err := person.Line(late{over, typed}, types{strings.NewReader("code\n"), typed})
		require.ErrorIs(t, err, context.Canceled)
		require.Empty(t, line)
	}
}
