package sysfs

import (
	"bytes"
	"io/fs"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/archive"
)

func parsed(t require.TestingT, text string) *archive.Archive {
	host, err := archive.Parse([]byte(text))
	require.NoError(t, err)
	return host
}

// TestRecordedSurvey: the archive of what a survey read gives the same survey.
func TestRecordedSurvey(t *testing.T) {
	hosts := map[string]*archive.Archive{}
	for _, host := range []string{"larch.txtar", "captured-running.txtar"} {
		hosts[host] = openHost(t, host)
	}
	overlays, err := filepath.Glob("testdata/*.txtar")
	require.NoError(t, err)
	require.NotEmpty(t, overlays)
	for _, overlay := range overlays {
		hosts[overlay] = laidOver(t, filepath.Base(overlay))
	}
	for name, host := range hosts {
		tree, err := OpenFS(host)
		require.NoError(t, err)
		named := []string{"/srv/images/scanner-desk.qcow2", "/dev/disk/by-partlabel/shelf", "/srv/none", "/srv/shelf/catalogue.qcow2"}
		recorded, recording := tree.Recorded()
		want, err := recorded.Survey(t.Context(), named)
		require.NoError(t, err)
		var text bytes.Buffer
		require.NoError(t, recording.Write(&text))
		got := surveyOf(t, parsed(t, text.String()), named...)
		got.TakenAt = want.TakenAt
		assert.Equal(t, want, got, name)
	}
}

// TestRecordingOfOtherReaders: those who read libvirt's answers from the same
// tree do it through other methods.
func TestRecordingOfOtherReaders(t *testing.T) {
	tree, err := Open(hostFile("larch.txtar"))
	require.NoError(t, err)
	recorded, recording := tree.Recorded()
	_, err = recorded.Survey(t.Context(), nil)
	require.NoError(t, err)
	_, err = fs.Stat(recorded.FS(), "libvirt")
	require.NoError(t, err)
	answers, err := fs.Sub(recorded.FS(), "libvirt")
	require.NoError(t, err)
	guests, err := fs.Glob(answers, "guests/*.xml")
	require.NoError(t, err)
	require.NotEmpty(t, guests)
	for _, guest := range guests {
		_, err := fs.ReadFile(answers, guest)
		require.NoError(t, err)
	}
	var text bytes.Buffer
	require.NoError(t, recording.Write(&text))
	again, err := fs.Glob(parsed(t, text.String()), "libvirt/guests/*.xml")
	require.NoError(t, err)
	assert.Len(t, again, len(guests))
}

// TestRecordingKeepsReasons: a file that could not be read cannot be read from
// the archive either, for the same reason.
func TestRecordingKeepsReasons(t *testing.T) {
	tree, err := OpenFS(parsed(t, "-- proc/swaps (unreadable) --\ninput/output error\n-- (end) --\n"))
	require.NoError(t, err)
	recorded, recording := tree.Recorded()
	want, err := recorded.Survey(t.Context(), nil)
	require.NoError(t, err)
	var text bytes.Buffer
	require.NoError(t, recording.Write(&text))
	assert.Contains(t, text.String(), "-- proc/swaps (unreadable) --\ninput/output error\n")
	got := surveyOf(t, parsed(t, text.String()))
	got.TakenAt = want.TakenAt
	assert.Equal(t, want, got)
}
