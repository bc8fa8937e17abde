package main

import (
	"bytes"
	"io/fs"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/firmware"
	"lendkeep/providers/sysfs"
	"lendkeep/reconcile/facts"
)

// A tree of a machine whose libvirt and drives were asked is surveyed like the
// machine.
func TestKeptTreeIsTheMachine(t *testing.T) {
	machine, err := sysfs.Open("../../testdata/hosts/larch.txtar")
	require.NoError(t, err)
	whole, err := surveyTree(t.Context(), machine)
	require.NoError(t, err)
	require.NotEmpty(t, whole.Libvirt.Guests)
	require.NotEmpty(t, whole.Contents)
	said, err := fs.Sub(machine.FS(), answersFolder)
	require.NoError(t, err)
	answers := map[string]string{}
	require.NoError(t, fs.WalkDir(said, ".", func(name string, entry fs.DirEntry, err error) error {
		if err != nil || entry.IsDir() {
			return err
		}
		content, err := fs.ReadFile(said, name)
		answers[name] = string(content)
		return err
	}))

	recorded, recording := machine.Recorded()
	_, err = complete(t.Context(), recorded, firmware.OnHost(recorded.FS(), ""), whole.Libvirt)
	require.NoError(t, err)
	keepAnswers(recording, answers, whole.Contents)
	name := filepath.Join(t.TempDir(), "kept.txtar")
	require.NoError(t, writeTree(name, recording))
	tree, err := sysfs.Open(name)
	require.NoError(t, err)
	kept, err := surveyTree(t.Context(), tree)
	require.NoError(t, err)
	kept.TakenAt = whole.TakenAt
	assert.Equal(t, encoded(t, whole), encoded(t, kept))
}

func encoded(t *testing.T, survey facts.Survey) string {
	var content bytes.Buffer
	require.NoError(t, survey.Encode(&content))
	return content.String()
}
