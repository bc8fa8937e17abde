package sysfs

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io/fs"
	"maps"
	"reflect"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/archive"
	"lendkeep/reconcile/facts"
)

// watched counts what is opened, and can refuse one path.
type watched struct {
	fs.ReadLinkFS
	mu     sync.Mutex
	opened map[string]int
	touch  map[string]bool // opened, listed, followed or looked at
	refuse string
}

func watch(fsys fs.ReadLinkFS) *watched {
	return &watched{ReadLinkFS: fsys, opened: map[string]int{}, touch: map[string]bool{}}
}

func (w *watched) enter(op, name string, open int) error {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.opened[name] += open
	w.touch[name] = true
	if name == w.refuse {
		return &fs.PathError{Op: op, Path: name, Err: syscall.EIO}
	}
	return nil
}

func (w *watched) Open(name string) (fs.File, error) {
	if err := w.enter("open", name, 1); err != nil {
		return nil, err
	}
	return w.ReadLinkFS.Open(name)
}

func (w *watched) ReadDir(name string) ([]fs.DirEntry, error) {
	if err := w.enter("open", name, 1); err != nil {
		return nil, err
	}
	return fs.ReadDir(w.ReadLinkFS, name)
}

func (w *watched) ReadLink(name string) (string, error) {
	if err := w.enter("readlink", name, 0); err != nil {
		return "", err
	}
	return w.ReadLinkFS.ReadLink(name)
}

func (w *watched) Lstat(name string) (fs.FileInfo, error) {
	if err := w.enter("lstat", name, 0); err != nil {
		return nil, err
	}
	return w.ReadLinkFS.Lstat(name)
}

// larchPaths are what larch's guests and pools name.
var larchPaths = []string{
	"/srv/images/grading.qcow2", "/srv/images/scanner-desk.qcow2", "/srv/shelf/catalogue.qcow2",
	"/srv/images", "/dev/disk/by-partlabel/shelf", "/srv/images/new.qcow2",
}

// TestOpensEachFileOnce also for the trees of the other hosts.
func TestOpensEachFileOnce(t *testing.T) {
	for _, host := range []string{"larch", "captured-before", "captured-running", "captured-after"} {
		fsys := watch(openHost(t, host+".txtar"))
		surveyOf(t, fsys, larchPaths...)
		assert.Greater(t, len(fsys.opened), 300, host)
		for name, times := range fsys.opened {
			assert.LessOrEqual(t, times, 1, "%s: %s", host, name)
		}
	}
}

// alsoLost are facts that are read from the same place as the one that a gap
// names.
var alsoLost = map[string][]string{
	"signature":    {"links", "partition_table", "partition"},
	"header_type":  {"multi_function"},
	"reset_method": {"reset_methods"},
	"vendor":       {"vendor_name", "device_name"},
	"device":       {"device_name"},
}

// lost gives every key that gaps excuse.
func lost(gaps []facts.Gap) map[string]bool {
	keys := map[string]bool{}
	for _, gap := range gaps {
		key, _, _ := strings.Cut(gap.Fact, ".")
		keys[key] = true
		for _, other := range alsoLost[key] {
			keys[other] = true
		}
	}
	return keys
}

func keysOf(t *testing.T, value any) map[string]string {
	text, err := json.Marshal(value)
	require.NoError(t, err)
	var raw map[string]json.RawMessage
	require.NoError(t, json.Unmarshal(text, &raw))
	keys := map[string]string{}
	for key, value := range raw {
		keys[key] = string(value)
	}
	delete(keys, "gaps")
	return keys
}

// unexcused lists the keys by which two values differ although no gap says so.
func unexcused(t *testing.T, what string, want, got any, excuse ...map[string]bool) []string {
	a, b := keysOf(t, want), keysOf(t, got)
	var list []string
	all := maps.Clone(a)
	maps.Copy(all, b)
	for _, key := range slices.Sorted(maps.Keys(all)) {
		excused := slices.ContainsFunc(excuse, func(e map[string]bool) bool { return e[key] })
		if a[key] != b[key] && !excused {
			list = append(list, fmt.Sprintf("%s: %s was %s, is %s", what, key, a[key], b[key]))
		}
	}
	return list
}

// silent lists every difference between two surveys that no gap excuses.
func silent(t *testing.T, want, got facts.Survey) []string {
	if got.TakenAt = want.TakenAt; reflect.DeepEqual(want, got) {
		return nil
	}
	whole := map[string]bool{}
	below := map[string]map[string]bool{"functions": {}, "machine": {}, "blocks": {}}
	for _, gap := range got.Gaps {
		area, key, found := strings.Cut(gap.Fact, ".")
		if whole[gap.Fact] = true; found {
			below[area][key] = true
		}
	}
	var list []string
	list = append(list, unexcused(t, "machine", want.Machine, got.Machine, below["machine"])...)
	if !whole["functions"] {
		list = append(list, compare(t, want.Functions, got.Functions, below["functions"],
			func(f facts.Function) string { return f.Address.String() }, func(f facts.Function) []facts.Gap { return f.Gaps })...)
	}
	if !whole["blocks"] {
		list = append(list, compare(t, want.Blocks, got.Blocks, below["blocks"],
			func(b facts.Block) string { return b.Name }, func(b facts.Block) []facts.Gap { return b.Gaps })...)
	}
	if !slices.EqualFunc(want.Mounts, got.Mounts, sameJSON) && !whole["mounts"] {
		list = append(list, "mounts differ")
	}
	if !slices.EqualFunc(want.Swaps, got.Swaps, sameJSON) && !whole["swaps"] {
		list = append(list, "swaps differ")
	}
	if !slices.EqualFunc(want.Claims, got.Claims, sameJSON) && !whole["vfio_claims"] {
		list = append(list, "claims differ")
	}
	for _, p := range want.Paths {
		i := slices.IndexFunc(got.Paths, func(q facts.Path) bool { return q.Named == p.Named })
		// A path is named by the one before it in the chain, if that was readable.
		if i >= 0 && !sameJSON(p, got.Paths[i]) && got.Paths[i].Gap == "" {
			list = append(list, "path "+p.Named+" differs")
		}
	}
	return list
}

func sameJSON[T any](a, b T) bool {
	x, _ := json.Marshal(a)
	y, _ := json.Marshal(b)
	return bytes.Equal(x, y)
}

func compare[T any](t *testing.T, want, got []T, area map[string]bool, name func(T) string, gaps func(T) []facts.Gap) []string {
	var list []string
	for _, a := range want {
		i := slices.IndexFunc(got, func(b T) bool { return name(b) == name(a) })
		if i < 0 {
			list = append(list, name(a)+" is gone")
			continue
		}
		if !reflect.DeepEqual(a, got[i]) {
			list = append(list, unexcused(t, name(a), a, got[i], area, lost(gaps(got[i])))...)
		}
	}
	return list
}

// TestUnreadableFileIsAGap makes each path that a survey touches unreadable in
// turn: the survey may differ only by facts for which it then has a gap.
func TestUnreadableFileIsAGap(t *testing.T) {
	larch := openHost(t, "larch.txtar")
	base := watch(larch)
	want := surveyOf(t, base, larchPaths...)
	require.Empty(t, want.Gaps)
	missed := 0
	for _, name := range slices.Sorted(maps.Keys(base.touch)) {
		fsys := watch(larch)
		fsys.refuse = name
		got := surveyOf(t, fsys, larchPaths...)
		if strings.HasPrefix("usr/share/misc/pci.ids", name) {
			continue // names are for people
		}
		assert.Empty(t, silent(t, want, got), name)
		if countGaps(got) == 0 {
			missed++
			t.Logf("no gap, and no difference, without %s", name)
		}
	}
	// uevent of a driverless function, a second place of a file, and the like.
	assert.Less(t, missed, len(base.touch)/10)
}

func countGaps(s facts.Survey) int {
	n := len(s.Gaps) + len(s.Guard.Gaps)
	for _, f := range s.Functions {
		n += len(f.Gaps)
	}
	for _, b := range s.Blocks {
		n += len(b.Gaps)
	}
	for _, p := range s.Paths {
		if p.Gap != "" {
			n++
		}
	}
	return n
}

// absenceSays are the files whose absence is the kernel's own way of saying
// something, so that a capture without them cannot be told from a host that is
// so. Each way it goes is the safe one, or of no consequence.
var absenceSays = []string{
	"/reset_method",                // cannot be reset
	"/numa_node", "/local_cpulist", // built without NUMA
	"/power_state", "/d3cold_allowed", // built without power management
	"/driver_override",    // before Linux 3.16
	"/wwid", "/subsysnqn", // older kernels
	"sys/class/iommu/dmar0",                      // no IOMMU in use
	"sys/fs/cgroup/machine.slice/",               // no guest ran yet
	"sys/firmware/acpi/tables/", "/intel-iommu/", // why none is in use, and what only Intel's shows
	"sys/module/vfio",                             // a module that is not loaded
	"usr/share/misc/pci.ids",                      // no names
	"sys/bus/pci/slots/",                          // firmware names no slot there: what is known by its slot is then not found
	"sys/kernel/iommu_groups/",                    // the links say the same
	"sys/class/net/", "dev/", "srv/", "usr/sbin/", // not there
	"proc/sys/kernel/hostname",                   // has a gap of its own
	"sys/devices/pci0000:00/0000:00:00.0/uevent", // asked only where there is no driver
}

// TestRemovedFileIsNoNo takes each file out of larch in turn: what is then not
// known must not be taken for a no.
func TestRemovedFileIsNoNo(t *testing.T) {
	larch := openHost(t, "larch.txtar")
	want := surveyOf(t, larch, larchPaths...)
	for _, name := range slices.Sorted(maps.Keys(larch.Entries())) {
		differences := silent(t, want, surveyOf(t, without(t, larch, name), larchPaths...))
		if !slices.ContainsFunc(absenceSays, func(part string) bool { return strings.Contains(name, part) }) {
			assert.Empty(t, differences, name)
		}
	}
}

// without gives an archive that lacks one entry.
func without(t *testing.T, host *archive.Archive, name string) *archive.Archive {
	entries := host.Entries()
	delete(entries, name)
	return made(t, entries)
}

// with gives an archive with another content of a file.
func with(t *testing.T, host *archive.Archive, name string, content []byte) *archive.Archive {
	entries := host.Entries()
	entries[name] = archive.Entry{Mode: 0o444, Content: content}
	return made(t, entries)
}

// TestTruncatedFileIsAGap cuts each file of larch in the middle of a line.
func TestTruncatedFileIsAGap(t *testing.T) {
	larch := openHost(t, "larch.txtar")
	want := surveyOf(t, larch, larchPaths...)
	entries := larch.Entries()
	for _, name := range slices.Sorted(maps.Keys(entries)) {
		whole := entries[name].Content
		for _, cut := range []int{len(whole) - 1, len(whole) / 2, len(whole) / 3, 0} {
			if cut < 0 || !entries[name].Mode.IsRegular() || cut > 0 && whole[cut-1] == '\n' {
				continue // a shorter file of the same form
			}
			got := surveyOf(t, with(t, larch, name, whole[:cut]), larchPaths...)
			if strings.HasPrefix(name, "usr/share") || strings.HasPrefix(name, "srv/") || cut == 0 && strings.HasSuffix(name, "/reset_method") {
				continue // names, images, and what may be empty: only no panic
			}
			assert.Empty(t, silent(t, want, got), "%s cut to %q", name, whole[:cut])
		}
	}
}
