package measure

import (
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"lendkeep/reconcile/speed"
)

// What TestBesideFio does: so many runs of each, so long, on a file so large.
const (
	fioRuns  = 5
	fioLasts = 2 * time.Second
	fioBytes = 1 << 30
)

// fioEngines are fio's names for the same ways (fio(1), ioengine).
var fioEngines = map[string]string{"io_uring": "io_uring", "libaio": "libaio", "threads": "psync"}

// TestBesideFio measures every series with every way, and fio does the same on the same
// file, in turns: neither has the quiet minutes alone. It prints what both found and
// fails for none of it, since a machine that others share proves nothing by a figure.
// It runs only where LENDKEEP_MEASURE_DIR names a folder (make measure-test).
func TestBesideFio(t *testing.T) {
	dir := os.Getenv("LENDKEEP_MEASURE_DIR")
	if dir == "" {
		t.Skip("it measures for minutes: make measure-test")
	}
	path := filepath.Join(dir, fmt.Sprintf("lendkeep-beside-fio-%d", os.Getpid()))
	fd, err := unix.Open(path, unix.O_CREAT|unix.O_EXCL|unix.O_RDWR|unix.O_CLOEXEC, 0o600)
	require.NoError(t, err)
	file := &target{handle: fd, path: dir}
	t.Cleanup(func() { assert.NoError(t, file.close()); assert.NoError(t, os.Remove(path)) })
	require.NoError(t, file.direct())
	require.NoError(t, file.allocate(fioBytes))
	m := &measurement{asked: Asked{Runs: fioRuns, Lasts: fioLasts}, target: file, lanes: newLanes(), tell: func(string) {}}
	_, m.slept = sinceBoot()
	open := map[string]way{}
	for _, w := range ways {
		m.way, err = w.open(file.handle, deepest)
		require.NoError(t, err)
		defer m.way.close()
		open[w.name] = m.way
	}
	require.NoError(t, m.fillFile())
	fmt.Printf("%-34s %-9s %22s %22s   ratio of medians (where the true one is)\n", "MB/s: median (least to most)", "through", "lendkeep-measure", "fio")
	for _, kind := range speed.Kinds {
		ours, theirs := map[string][]float64{}, map[string][]float64{}
		for i := range fioRuns {
			for _, w := range ways {
				m.way = open[w.name]
				us, them := besideFio(t, m, kind, path, i)
				ours[w.name], theirs[w.name] = append(ours[w.name], us), append(theirs[w.name], them)
			}
		}
		for _, w := range ways {
			fmt.Printf("%-34s %-9s %22s %22s   %s\n", kind, w.name, spread(ours[w.name]), spread(theirs[w.name]), ratios(ours[w.name], theirs[w.name]))
		}
	}
	assert.Empty(t, m.gaps)
}

// besideFio gives the rates of one run of both, bytes a second; who is first changes.
func besideFio(t *testing.T, m *measurement, kind speed.Kind, path string, i int) (ours, theirs float64) {
	us := func() {
		run, err := m.once(kind, i)
		require.NoError(t, err)
		ours = run.Rate()
	}
	them := func() { theirs = fio(t, kind, fioEngines[m.way.name()], path, i) }
	if i%2 == 0 {
		us()
		them()
	} else {
		them()
		us()
	}
	return ours, theirs
}

// fio has fio make one run as once does: the same place to begin at, direct, other
// content in each block, and one that writes ends with the file's size.
func fio(t *testing.T, kind speed.Kind, engine, path string, i int) float64 {
	rw := map[speed.Access]string{speed.Random: "rand"}[kind.Access] + string(kind.Deed)
	arguments := []string{"--name=one", "--filename=" + path, "--rw=" + rw, "--bs=" + strconv.FormatInt(kind.BlockBytes, 10), "--ioengine=" + engine,
		"--direct=1", "--norandommap", "--randrepeat=0", "--runtime=" + fioLasts.String(), "--fallocate=none", "--output-format=json", "--group_reporting"}
	jobs := 1
	if engine == "psync" {
		jobs = kind.Depth
		arguments = append(arguments, "--thread", "--numjobs="+strconv.Itoa(jobs))
	} else {
		arguments = append(arguments, "--iodepth="+strconv.Itoa(kind.Depth))
	}
	size := int64(fioBytes)
	if kind.Access == speed.Sequential && jobs > 1 { // each job has its own part, or all read the same
		size /= int64(jobs)
		arguments = append(arguments, fmt.Sprintf("--offset_increment=%d", size))
	} else if kind.Access == speed.Sequential && kind.Deed == speed.Read {
		offset := int64(fioBytes/Block) * int64(i) / fioRuns * Block
		size -= offset
		arguments = append(arguments, fmt.Sprintf("--offset=%d", offset))
	}
	if kind.Deed == speed.Read {
		arguments = append(arguments, "--time_based")
	} else {
		arguments = append(arguments, "--io_size="+strconv.FormatInt(fioBytes/int64(jobs), 10))
	}
	if jobs == 1 || kind.Access == speed.Sequential {
		arguments = append(arguments, "--size="+strconv.FormatInt(size, 10))
	}
	said, err := exec.Command("fio", arguments...).Output()
	require.NoError(t, err, string(said))
	var r struct {
		Jobs []map[string]json.RawMessage `json:"jobs"`
	}
	require.NoError(t, json.Unmarshal(said, &r))
	var side struct {
		Rate float64 `json:"bw_bytes"`
	}
	require.NoError(t, json.Unmarshal(r.Jobs[0][string(kind.Deed)], &side))
	return side.Rate
}

func spread(rates []float64) string {
	slices.Sort(rates)
	return fmt.Sprintf("%.0f (%.0f to %.0f)", rates[len(rates)/2]/1e6, rates[0]/1e6, rates[len(rates)-1]/1e6)
}

// ratios gives that of the medians, and between which the true one lies, as
// reconcile/speed tells it of five runs each: the 3rd to the 23rd of 25.
func ratios(ours, theirs []float64) string {
	var all []float64
	for _, a := range ours {
		for _, b := range theirs {
			all = append(all, a/b)
		}
	}
	slices.Sort(all)
	n := len(all)
	return fmt.Sprintf("%.2f (%.2f to %.2f)", ours[len(ours)/2]/theirs[len(theirs)/2], all[2], all[n-3])
}
