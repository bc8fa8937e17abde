package sysfs

import (
	"bytes"
	"flag"
	"io/fs"
	"maps"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/archive"
	"lendkeep/reconcile/facts"
)

var (
	fromTrees = flag.String("trees", "", "directory with the captured trees 1-before, 2-running, 3-after: make testdata/hosts/captured-* anew from it")
	update    = flag.Bool("update", false, "make testdata/hosts/larch.txtar anew from captured-before.txtar and larch.overlay.txtar")
)

const hostsDir = "../../testdata/hosts"

func hostFile(name string) string { return filepath.Join(hostsDir, name) }

// openHost opens a fixture with the excerpt of the PCI id database in it.
func openHost(t testing.TB, name string) *archive.Archive {
	t.Helper()
	host, err := archive.Open(hostFile(name))
	require.NoError(t, err)
	entries := host.Entries()
	if _, there := entries[nameFiles[0]]; there {
		return host
	}
	names, err := os.ReadFile(hostFile("pci.ids"))
	require.NoError(t, err)
	entries[nameFiles[0]] = archive.Entry{Mode: 0o444, Content: names}
	return made(t, entries)
}

// made puts an archive together.
func made(t testing.TB, entries map[string]archive.Entry) *archive.Archive {
	t.Helper()
	var text bytes.Buffer
	require.NoError(t, archive.Write(&text, entries))
	host, err := archive.Parse(text.Bytes())
	require.NoError(t, err)
	return host
}

// TestLarch holds larch.txtar to what it is said to be: the captured tree with
// the overlay laid over it.
func TestLarch(t *testing.T) {
	larch := map[string]archive.Entry{}
	captured := openHost(t, "captured-before.txtar")
	for name, e := range captured.Entries() {
		if strings.HasPrefix(name, "libvirt/guests/") {
			continue
		}
		larch[name] = e
	}
	overlay, err := archive.Open(hostFile("larch.overlay.txtar"))
	require.NoError(t, err)
	added := overlay.Entries()
	shelf := added["proc/self/mountinfo"]
	number, err := fs.ReadFile(captured, "sys/class/block/nvme0n1p2/dev")
	require.NoError(t, err)
	shelf.Content = slices.Concat(larch["proc/self/mountinfo"].Content, bytes.Replace(shelf.Content, []byte("DEVNO"), bytes.TrimSpace(number), 1))
	added["proc/self/mountinfo"] = shelf
	maps.Copy(larch, added)

	var text bytes.Buffer
	require.NoError(t, archive.Write(&text, larch))
	if *update {
		require.NoError(t, os.WriteFile(hostFile("larch.txtar"), text.Bytes(), 0o666))
	}
	there, err := os.ReadFile(hostFile("larch.txtar"))
	require.NoError(t, err)
	assert.True(t, bytes.Equal(there, text.Bytes()),
		"larch.txtar is out of step with what it is made from: go test ./providers/sysfs -run TestLarch -update")
}

func TestMakeCaptured(t *testing.T) {
	if *fromTrees == "" {
		t.Skip("needs -trees: directory of the captured trees")
	}
	var functions []facts.Function
	for dir, name := range map[string]string{"1-before": "before", "2-running": "running", "3-after": "after"} {
		tree, err := Open(filepath.Join(*fromTrees, dir))
		require.NoError(t, err)
		recorded, recording := tree.Recorded()
		survey, err := recorded.Survey(t.Context(), nil)
		require.NoError(t, err)
		functions = append(functions, survey.Functions...)
		var text bytes.Buffer
		require.NoError(t, recording.Write(&text))
		entries := parsed(t, text.String()).Entries()
		addCaptured(t, entries, os.DirFS(filepath.Join(*fromTrees, dir)), name == "running")
		text.Reset()
		require.NoError(t, archive.Write(&text, entries))
		require.NoError(t, os.WriteFile(hostFile("captured-"+name+".txtar"), text.Bytes(), 0o666))
		keepAnswers(t, filepath.Join(*fromTrees, dir), hostFile("captured-"+name+".cmd"))
	}
	database, err := os.ReadFile("/" + nameFiles[0])
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(hostFile("pci.ids"), setNames(database, functions), 0o666))
}

// addCaptured adds what a survey alone does not keep: all of config space, the
// links and nodes below /dev, libvirt's answers.
func addCaptured(t *testing.T, entries map[string]archive.Entry, tree fs.FS, running bool) {
	add := func(name string, content []byte) { entries[name] = archive.Entry{Mode: 0o444, Content: content} }
	for _, name := range slices.Sorted(maps.Keys(entries)) {
		if path.Base(name) == "config" {
			config, err := fs.ReadFile(tree, name)
			require.NoError(t, err)
			add(name, config)
		}
	}
	require.NoError(t, fs.WalkDir(tree, "dev", func(name string, entry fs.DirEntry, err error) error {
		if err != nil || entry.Type() != fs.ModeSymlink {
			return err
		}
		target, err := fs.ReadLink(tree, name)
		entries[name] = archive.Entry{Mode: fs.ModeSymlink, Target: target}
		return err
	}))
	blocks, err := fs.ReadDir(tree, blockClass)
	require.NoError(t, err)
	for _, block := range blocks {
		entries["dev/"+block.Name()] = archive.Entry{Mode: fs.ModeDevice | 0o440}
	}
	keep := func(from, to string) {
		content, err := fs.ReadFile(tree, from)
		require.NoError(t, err)
		add(to, append(bytes.TrimSpace(content), '\n'))
	}
	for _, name := range []string{"libvirt/uri", "libvirt/version", "libvirt/capabilities.xml"} {
		keep(name, name)
	}
	if guests, _ := fs.Glob(tree, "libvirt/dom/*.inactive.xml"); len(guests) == 1 {
		keep(guests[0], "libvirt/guests/l2.xml")
	}
	if running {
		keep("libvirt/dom/l2.live.xml", "libvirt/guests/l2.live.xml")
	}
}

// keepAnswers copies what other programs said of the same moment.
func keepAnswers(t *testing.T, from, to string) {
	require.NoError(t, os.RemoveAll(to))
	require.NoError(t, os.MkdirAll(to, 0o777))
	wanted := []string{"cmd/lspci-vvv.txt", "cmd/lspci-xxxx.txt", "cmd/lsblk.json", "cmd/blkid.txt", "cmd/nvme-list.json",
		"cmd/id-*.json", "cmd/sgdisk-*.txt", "libvirt/nodedev/pci_*.xml"}
	for _, pattern := range wanted {
		files, err := filepath.Glob(filepath.Join(from, pattern))
		require.NoError(t, err)
		for _, file := range files {
			content, err := os.ReadFile(file)
			require.NoError(t, err)
			if !bytes.HasSuffix(content, []byte("\n")) {
				content = append(content, '\n')
			}
			require.NoError(t, os.WriteFile(filepath.Join(to, filepath.Base(file)), content, 0o666))
		}
	}
}
