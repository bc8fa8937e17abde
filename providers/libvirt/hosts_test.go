//go:build libvirt_dlopen

package libvirt

import (
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/definition"
	"lendkeep/reconcile/facts"
)

// definitionIn finds the definitions in a captured host.
var definitionIn = regexp.MustCompile(`(?s)<domain type='[a-z]+'[^>/]*>.*?</domain>\n`)

// libvirt accepts every captured host's guests after each kind of edit, or the
// edit is refused with what to do by hand.
func TestJudgeAcceptsEveryEditOfCapturedGuests(t *testing.T) {
	hosts, err := filepath.Glob("../../testdata/hosts/*.txtar")
	require.NoError(t, err)
	j, judged := judge(t), 0
	for _, host := range hosts {
		content, err := os.ReadFile(host)
		require.NoError(t, err)
		for _, xml := range definitionIn.FindAllString(string(content), -1) {
			name, _, err := definition.Names(xml)
			require.NoError(t, err)
			for _, w := range everyEdit(t, xml) {
				w.Name = name
				after, _, err := definition.Edit(xml, w)
				if err != nil {
					assert.ErrorContains(t, err, "by hand", "%s of %s: %+v", name, host, w)
					continue
				}
				kept, err := j.Define(t.Context(), after)
				require.NoError(t, err, "%s of %s: %+v", name, host, w)
				_, changes, err := definition.Edit(kept, w)
				require.NoError(t, err)
				assert.Empty(t, changes, "%s of %s: %+v", name, host, w)
				require.NoError(t, j.Undefine(t.Context(), name))
				judged++
			}
		}
	}
	assert.Greater(t, judged, 100)
}

// everyEdit gives each kind of edit alone, its disks' moves among them.
func everyEdit(t *testing.T, xml string) []definition.Wanted {
	on, off := true, false
	list := []definition.Wanted{{}, {Firmware: "uefi"}, {Firmware: "bios"}, {Firmware: "/fw/code.fd"}, {CPUs: 1}, {CPUs: 7}, {CPUs: 2, Near: &definition.Near{Node: 0, CPUs: []int{1, 3}, Rest: "0,2"}},
		{MemoryBytes: 1 << 29}, {MemoryBytes: 64 << 30}, {HugePages: &on}, {HugePages: &off}, {MemoryBytes: 4 << 30, HugePages: &on, PageBytes: 1 << 30},
		{Networks: []definition.Network{{Name: "lan", Bridge: "br9", Model: "e1000e"}}},
		{Networks: []definition.Network{{Name: "lan", Network: "default"}}},
		{Known: []facts.Identity{reel(1), spool(2)}, Borrows: []definition.Borrowed{{Identity: reel(1), Boots: true}}},
		{Known: []facts.Identity{reel(1)}}}
	had, err := definition.Read(xml)
	require.NoError(t, err)
	for _, bus := range []string{"virtio", "scsi", "sata"} {
		list = append(list, definition.Wanted{Disks: []definition.Disk{{Name: "new", Source: "/srv/new.raw", Kind: "file", Format: "raw", Bus: bus}}})
		for _, d := range had.Disks {
			if !strings.HasPrefix(d.Source, "/") || d.Device != "disk" {
				continue
			}
			list = append(list, definition.Wanted{Disks: []definition.Disk{{Name: "same", Source: d.Source, Kind: "file", Format: "raw", Bus: bus}}},
				definition.Wanted{Disks: []definition.Disk{{Name: d.Target, Source: "/srv/other.qcow2", Kind: "file", Format: "qcow2", Bus: bus}}})
		}
	}
	return list
}
