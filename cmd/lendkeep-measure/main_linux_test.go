package main

import (
	"bytes"
	"context"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"lendkeep/reconcile/speed"
)

// TestMain has this program be lendkeep-measure where a test starts it as such.
func TestMain(m *testing.M) {
	if os.Getenv("LENDKEEP_MEASURE_ITSELF") == "1" {
		main()
		return
	}
	os.Exit(m.Run())
}

// call calls the program in this process.
func call(arguments ...string) (code int, stdout, stderr string) {
	var out, told bytes.Buffer
	code = run(context.Background(), arguments, &out, &told)
	return code, out.String(), told.String()
}

func onADrive(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	var fs unix.Statfs_t
	require.NoError(t, unix.Statfs(dir, &fs))
	if fs.Type == unix.TMPFS_MAGIC {
		t.Skip("the folder for temporary files is in memory: set TMPDIR to one on a drive")
	}
	return dir
}

func empty(t *testing.T, dir string) {
	t.Helper()
	left, err := os.ReadDir(dir)
	require.NoError(t, err)
	assert.Empty(t, left)
}

func TestWrongCalls(t *testing.T) {
	dir := t.TempDir()
	for says, arguments := range map[string][]string{
		`there is no option "speed"`:              {"--speed"},
		"--folder needs a value: --folder FOLDER": {"--folder"},
		`--runs cannot be "many"`:                 {"--folder", dir, "--runs", "many"},
		`--lasts cannot be "5"`:                   {"--folder", dir, "--lasts", "5"},
		`--size cannot be "4 GB"`:                 {"--folder", dir, "--size", "4 GB", "--write"},
		`--size cannot be "-1GiB"`:                {"--folder", dir, "--size", "-1GiB", "--write"},
		`--size cannot be "99999999999999999TiB"`: {"--folder", dir, "--size", "99999999999999999TiB"},
		"want --folder or --device, one of them":  {"--folder", dir, "--device", "/dev/null"},
		"want --folder or --device":               {"--write"},
		`it takes no arguments; here is "` + dir:  {dir},
		"--write and --size are for folders":      {"--device", "/dev/null", "--write"},
		"nothing is written without --write; at most 64.0 GiB (68719476736 bytes) will be written in folder " + dir: {"--folder", dir},
		"nothing is written without --write; at most 448.0 MiB (469762048 bytes)":                                   {"--folder", dir, "--size", "64MiB", "--runs", "2"},
	} {
		code, stdout, stderr := call(arguments...)
		assert.Equal(t, exitUsage, code, says)
		assert.Empty(t, stdout)
		assert.Contains(t, stderr, "lendkeep-measure: "+says)
		assert.Contains(t, stderr, "\nnext: ")
	}
	empty(t, dir)
}

func TestHelpAndVersion(t *testing.T) {
	for _, arguments := range [][]string{{"--help"}, {"-h"}, {}} {
		code, stdout, stderr := call(arguments...)
		assert.Equal(t, exitDone, code)
		assert.Empty(t, stderr)
		for _, word := range []string{"--folder FOLDER", "--device DEVICE", "--write", "--size SIZE", "--json FILE", "--lasts TIME", "Exit codes:"} {
			assert.Contains(t, stdout, word)
		}
	}
	code, stdout, _ := call("--version")
	assert.Equal(t, exitDone, code)
	assert.Equal(t, "lendkeep-measure unknown\n", stdout)
}

func TestMeasured(t *testing.T) {
	dir, results := onADrive(t), t.TempDir()
	file := filepath.Join(results, "before.json")
	ask := []string{"--folder", dir, "--write", "--size", "64MiB", "--runs", "1", "--lasts", "10ms", "--label", "before"}
	code, stdout, stderr := call(append(ask, "--json", file)...)
	require.Equal(t, exitDone, code, stderr)
	assert.Empty(t, stdout)
	told, rest, _ := strings.Cut(stderr, "\n")
	assert.Contains(t, told, "at most 256.0 MiB (268435456 bytes) will be written", "before anything else")
	assert.Contains(t, rest, "run 1 of 1, sequential read, 1 MiB, depth 8: ")
	content, err := os.ReadFile(file)
	require.NoError(t, err)
	r, err := speed.Decode(content)
	require.NoError(t, err)
	assert.Equal(t, "before", r.Label)
	empty(t, dir)

	code, _, stderr = call(append(ask, "--json", file)...)
	assert.Equal(t, exitFailed, code)
	assert.Contains(t, stderr, "file exists")
	again, err := os.ReadFile(file)
	require.NoError(t, err)
	assert.Equal(t, string(content), string(again))

	code, stdout, stderr = call(append(ask, "--json", "-")...)
	require.Equal(t, exitDone, code, stderr)
	_, err = speed.Decode([]byte(stdout))
	assert.NoError(t, err)

	code, stdout, stderr = call(ask...)
	require.Equal(t, exitDone, code, stderr)
	for _, k := range speed.Kinds {
		assert.Contains(t, stdout, k.String()+"  ")
	}
	assert.Contains(t, stdout, "series ")
	assert.Contains(t, stdout, "Note: lendkeep on the host has not noted ")
}

// A result that could not be had leaves no file behind.
func TestNoResult(t *testing.T) {
	file := filepath.Join(t.TempDir(), "r.json")
	code, _, stderr := call("--folder", "/dev/shm", "--write", "--json", file)
	assert.Equal(t, exitFailed, code)
	assert.Contains(t, stderr, "is in memory, not on a drive")
	assert.NoFileExists(t, file)
}

// running starts the program itself and waits until it has begun its first run.
func running(t *testing.T, dir string) (*exec.Cmd, *bytes.Buffer) {
	t.Helper()
	c := exec.Command(os.Args[0], "--folder", dir, "--write", "--size", "64MiB", "--lasts", "5m")
	c.Env = append(os.Environ(), "LENDKEEP_MEASURE_ITSELF=1")
	read, write, err := os.Pipe()
	require.NoError(t, err)
	var told bytes.Buffer
	c.Stderr = io.MultiWriter(&told, write)
	require.NoError(t, c.Start())
	seen := make([]byte, 4096)
	for text := ""; !strings.Contains(text, "filling the file, 60 of 64 MiB"); {
		n, err := read.Read(seen)
		require.NoError(t, err)
		text += string(seen[:n])
	}
	go func() { _, _ = io.Copy(io.Discard, read) }()
	empty(t, dir)
	return c, &told
}

// However it ends, nothing is left in the folder, and its room is free again.
func TestEnds(t *testing.T) {
	for _, signal := range []os.Signal{unix.SIGKILL, unix.SIGTERM, unix.SIGINT, unix.SIGHUP} {
		dir := onADrive(t)
		c, told := running(t, dir)
		time.Sleep(100 * time.Millisecond) // it may be anywhere
		require.NoError(t, c.Process.Signal(signal))
		assert.Error(t, c.Wait())
		if signal != unix.SIGKILL {
			assert.Equal(t, exitFailed, c.ProcessState.ExitCode())
			assert.Contains(t, told.String(), "it was stopped\nnext: ") // in a run, or while the file is still filled
		}
		empty(t, dir)
	}
}
