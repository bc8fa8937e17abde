package sysfs

import (
	"bytes"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lendkeep/providers/archive"
)

// unpack lays an archive out as a directory.
func unpack(t testing.TB, host *archive.Archive) string {
	dir := t.TempDir()
	for name, e := range host.Entries() {
		to := filepath.Join(dir, name)
		require.NoError(t, os.MkdirAll(filepath.Dir(to), 0o777))
		switch {
		case e.Mode.IsDir():
			require.NoError(t, os.MkdirAll(to, 0o777))
		case e.Mode.Type() == fs.ModeSymlink:
			require.NoError(t, os.Symlink(e.Target, to))
		case e.Mode.IsRegular():
			require.NoError(t, os.WriteFile(to, e.Content, 0o666))
		}
	}
	return dir
}

// spent is the processor time of this process so far.
func spent(b *testing.B) time.Duration {
	var used syscall.Rusage
	require.NoError(b, syscall.Getrusage(syscall.RUSAGE_SELF, &used))
	return time.Duration(used.Utime.Nano() + used.Stime.Nano())
}

// BenchmarkSurvey compares a survey of a directory with a plain walk of the
// same directory, which holds the files that the survey reads and no others:
// ratio is how many times as much processor time the survey takes, that of the
// kernel for it included, since the time on the clock is also that of whatever
// else the machine does.
func BenchmarkSurvey(b *testing.B) {
	tree, err := OpenFS(openHost(b, "larch.txtar"))
	require.NoError(b, err)
	recorded, recording := tree.Recorded()
	_, err = recorded.Survey(b.Context(), larchPaths)
	require.NoError(b, err)
	var text bytes.Buffer
	require.NoError(b, recording.Write(&text))
	root := unpack(b, parsed(b, text.String()))
	tree, err = Open(root)
	require.NoError(b, err)

	var surveys, walks time.Duration
	for b.Loop() {
		begin := spent(b)
		survey, err := tree.Survey(b.Context(), larchPaths)
		surveys += spent(b) - begin
		require.NoError(b, err)
		require.Len(b, survey.Functions, 15)

		begin = spent(b)
		files := 0
		err = fs.WalkDir(os.DirFS(root), ".", func(name string, entry fs.DirEntry, err error) error {
			if err == nil && entry.Type().IsRegular() {
				files++
				_, err = fs.ReadFile(tree.fsys, name)
			}
			return err
		})
		walks += spent(b) - begin
		require.NoError(b, err)
		require.Greater(b, files, 300)
	}
	b.ReportMetric(float64(surveys)/float64(walks), "ratio")
	b.ReportMetric(float64(surveys.Microseconds())/float64(b.N), "µs/survey")
}

// BenchmarkSurveyArchive is the cost without any system calls.
func BenchmarkSurveyArchive(b *testing.B) {
	tree, err := OpenFS(openHost(b, "larch.txtar"))
	require.NoError(b, err)
	b.ReportAllocs()
	for b.Loop() {
		_, err := tree.Survey(b.Context(), larchPaths)
		require.NoError(b, err)
	}
}
