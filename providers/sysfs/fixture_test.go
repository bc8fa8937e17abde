package sysfs

import (
	"bytes"
	"encoding/hex"
	"flag"
	"fmt"
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

	"lendkeep/reconcile/facts"
)

var (
	fromTrees = flag.String("trees", "", "directory with the captured trees 1-before, 2-running, 3-after: make testdata/hosts/captured-* anew from it")
	update    = flag.Bool("update", false, "make testdata/hosts/larch.txtar anew from captured-before.txtar and larch.overlay.txtar")
)

const hostsDir = "../../testdata/hosts"

func hostFile(name string) string { return filepath.Join(hostsDir, name) }

// openHost opens a fixture with the excerpt of the PCI id database in it.
func openHost(t testing.TB, name string) *Archive {
	t.Helper()
	archive, err := OpenArchive(hostFile(name))
	require.NoError(t, err)
	if archive.nodes[nameFiles[0]] == nil {
		names, err := os.ReadFile(hostFile("pci.ids"))
		require.NoError(t, err)
		require.NoError(t, archive.add(nameFiles[0], &node{mode: 0o444, content: names}))
		archive.sortChildren()
	}
	return archive
}

// larchNames are the names that larch has in place of the captured ones.
var larchNames = [][2]string{
	{"RIGNVME0001", "RL-4410-0073"},
	{"RIGNVME0002", "RL-4410-0088"},
	{"RIGNVME0003", "RL-4410-0119"},
	{"RIGESP", "start"},
	{"RIGDATA", "shelf"},
}

// asLarch replaces every captured name: alone in its field of 20 bytes, in
// hexadecimal (as in a namespace's wwid), and as it stands.
func asLarch(text string) string {
	for _, name := range larchNames {
		text = strings.ReplaceAll(text, fmt.Sprintf("%-20s", name[0]), fmt.Sprintf("%-20s", name[1]))
		text = strings.ReplaceAll(text, hex.EncodeToString([]byte(name[0])), hex.EncodeToString([]byte(name[1])))
		text = strings.ReplaceAll(text, name[0], name[1])
	}
	return text
}

// TestLarch holds larch.txtar to what it is said to be: the captured tree, with
// names replaced and the overlay laid over it.
func TestLarch(t *testing.T) {
	larch := &Recording{seen: map[string]*node{}}
	captured := openHost(t, "captured-before.txtar")
	for name, n := range captured.nodes {
		if strings.HasPrefix(name, "libvirt/guests/") || n.mode.IsDir() && len(n.children) > 0 {
			continue
		}
		n.content, n.target = []byte(asLarch(string(n.content))), asLarch(n.target)
		larch.seen[asLarch(name)] = n
	}
	overlay, err := OpenArchive(hostFile("larch.overlay.txtar"))
	require.NoError(t, err)
	maps.DeleteFunc(overlay.nodes, func(_ string, n *node) bool { return n.mode.IsDir() && len(n.children) > 0 })
	mounts := captured.nodes["proc/self/mountinfo"].content
	maps.Copy(larch.seen, overlay.nodes)
	number, err := fs.ReadFile(captured, "sys/class/block/nvme0n1p2/dev")
	require.NoError(t, err)
	shelf := bytes.Replace(overlay.nodes["proc/self/mountinfo"].content, []byte("DEVNO"), bytes.TrimSpace(number), 1)
	overlay.nodes["proc/self/mountinfo"].content = slices.Concat(mounts, shelf)

	var text bytes.Buffer
	require.NoError(t, larch.WriteArchive(&text))
	if *update {
		require.NoError(t, os.WriteFile(hostFile("larch.txtar"), text.Bytes(), 0o666))
	}
	there, err := os.ReadFile(hostFile("larch.txtar"))
	require.NoError(t, err)
	assert.True(t, bytes.Equal(there, text.Bytes()),
		"larch.txtar is out of step with what it is made from: go test ./providers/sysfs -run TestLarch -update")
	assert.NotContains(t, text.String(), "RIG")
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
		addCaptured(t, recording, os.DirFS(filepath.Join(*fromTrees, dir)), name == "running")
		var text bytes.Buffer
		require.NoError(t, recording.WriteArchive(&text))
		require.NoError(t, os.WriteFile(hostFile("captured-"+name+".txtar"), text.Bytes(), 0o666))
		keepAnswers(t, filepath.Join(*fromTrees, dir), hostFile("captured-"+name+".cmd"))
	}
	database, err := os.ReadFile("/" + nameFiles[0])
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(hostFile("pci.ids"), setNames(database, functions), 0o666))
}

// addCaptured adds what a survey alone does not keep: all of config space, the
// links and nodes below /dev, libvirt's answers.
func addCaptured(t *testing.T, recording *Recording, tree fs.FS, running bool) {
	for _, name := range slices.Sorted(maps.Keys(recording.seen)) {
		if path.Base(name) == "config" {
			config, err := fs.ReadFile(tree, name)
			require.NoError(t, err)
			recording.Add(name, config)
		}
	}
	require.NoError(t, fs.WalkDir(tree, "dev", func(name string, entry fs.DirEntry, err error) error {
		if err == nil && entry.Type() == fs.ModeSymlink {
			_, err = recording.ReadLink(name)
		}
		return err
	}))
	blocks, err := fs.ReadDir(tree, blockClass)
	require.NoError(t, err)
	for _, block := range blocks {
		recording.seen["dev/"+block.Name()] = &node{mode: fs.ModeDevice | 0o440}
	}
	keep := func(from, to string) {
		content, err := fs.ReadFile(tree, from)
		require.NoError(t, err)
		recording.Add(to, append(bytes.TrimSpace(content), '\n'))
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
