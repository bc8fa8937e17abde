//go:build libvirt_dlopen

package libvirt

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/definition"
)

// said is something that a disk may say, by where it stands.
type said struct{ disk, driver, target, inside string }

// sayings are all that libvirt 9.0's schema has for a disk that may hang on its
// bus (domaincommon.rng: disk, diskspec, diskDriver, diskTarget).
var sayings = []said{
	{}, {disk: "device='lun'"}, {disk: "device='cdrom'"}, {disk: "model='virtio'"}, {disk: "model='virtio-transitional'"},
	{disk: "snapshot='no'"}, {disk: "device='lun' rawio='yes'"}, {disk: "device='lun' sgio='filtered'"},
	{driver: "iothread='1'"}, {driver: "queues='2'"}, {driver: "queue_size='256'"}, {driver: "ioeventfd='on'"},
	{driver: "event_idx='on'"}, {driver: "iommu='on'"}, {driver: "ats='on'"}, {driver: "packed='on'"}, {driver: "page_per_vq='on'"},
	{driver: "cache='none'"}, {driver: "error_policy='stop' rerror_policy='stop'"}, {driver: "cache='none' io='native'"},
	{driver: "copy_on_read='on'"}, {driver: "discard='unmap'"}, {driver: "detect_zeroes='on'"},
	{target: "rotation_rate='7200'"}, {target: "removable='on'"}, {target: "tray='closed'"},
	{inside: "<acpi index='3'/>"}, {inside: "<wwn>5000c50015ea71ac</wwn>"}, {inside: "<vendor>LARCH</vendor>"}, {inside: "<product>REEL</product>"},
	{inside: "<serial>0123456789012345678901234567890123456789</serial>"}, {inside: "<alias name='ua-q'/>"}, {inside: "<boot order='1'/>"},
	{inside: "<boot order='1' loadparm='1'/>"}, {inside: "<backenddomain name='x'/>"}, {inside: "<readonly/>"}, {inside: "<shareable/>"},
	{inside: "<transient/>"}, {inside: "<transient shareBacking='yes'/>"}, {inside: "<geometry cyls='10' heads='16' secs='63'/>"},
	{inside: "<geometry cyls='10' heads='16' secs='63' trans='lba'/>"}, {inside: "<blockio logical_block_size='512' physical_block_size='4096'/>"},
	{inside: "<blockio logical_block_size='4096'/>"}, {inside: "<iotune><total_bytes_sec>1000000</total_bytes_sec></iotune>"},
	{inside: "<address type='pci' domain='0x0000' bus='0x00' slot='0x1d' function='0x0'/>"},
	{inside: "<address type='drive' controller='0' bus='0' target='0' unit='0'/>"},
}

// on gives a guest whose one disk says this on a bus.
func (s said) on(bus string) string {
	target := map[string]string{"virtio": "vda", "ide": "hda"}[bus]
	if target == "" {
		target = "sda"
	}
	machine := "q35" // which has no IDE
	if bus == "ide" {
		machine = "pc"
	}
	kind, source := "block", "dev"
	if strings.Contains(s.inside, "transient") {
		kind, source = "file", "file"
	}
	return fmt.Sprintf(`<domain type='qemu'>
  <name>odd</name>
  <uuid>0b7c6a8e-1f55-4d0e-8f0f-6f1a9f2be3c3</uuid>
  <memory>1048576</memory>
  <vcpu>2</vcpu>
  <iothreads>2</iothreads>
  <os>
    <type arch='x86_64' machine='%s'>hvm</type>
  </os>
  <features>
    <acpi/>
  </features>
  <devices>
    <emulator>/usr/bin/qemu-system-x86_64</emulator>
    <disk type='%s' %s>
      <driver name='qemu' type='raw' %s/>
      <source %s='/a'/>
      <target dev='%s' bus='%s' %s/>
      %s
    </disk>
    <hostdev mode='subsystem' type='scsi'>
      <source>
        <adapter name='scsi_host0'/>
        <address bus='0' target='0' unit='0'/>
      </source>
      <address type='drive' controller='0' bus='0' target='0' unit='1'/>
    </hostdev>
    <controller type='scsi' index='0' model='virtio-scsi'/>
  </devices>
</domain>
`, machine, kind, s.disk, s.driver, source, target, bus, s.target, s.inside)
}

// change is one change of bus.
type change struct {
	Saying            int
	From, To          string
	Refused, Answered string // by lendkeep; by libvirt's QEMU driver, of the definition after it
}

// Whatever a disk says, libvirt's QEMU driver and its test driver accept it
// after each change of bus that is not refused.
func TestQEMUDriverAcceptsEveryChangeOfBus(t *testing.T) {
	if folder := os.Getenv("LENDKEEP_TEST_CHILD"); strings.HasPrefix(folder, "/") {
		changeBuses(t, folder)
		return
	}
	content, err := os.ReadFile(filepath.Join(inChild(t), "changes"))
	require.NoError(t, err)
	var changes []change
	require.NoError(t, json.Unmarshal(content, &changes))
	refused := map[string]int{}
	for _, c := range changes {
		assert.Empty(t, c.Answered, "%+v from %s to %s", sayings[c.Saying], c.From, c.To)
		if c.Refused != "" {
			_, why, _ := strings.Cut(c.Refused, " cannot move from ")
			why, _, _ = strings.Cut(why[strings.Index(why, ": ")+2:], ";")
			refused[why]++
		}
	}
	// No more is refused than must be: <backenddomain> is Xen's, loadparm of
	// another architecture.
	want := map[string]int{
		"virtio has no cdrom": 4, "sata has no lun": 6,
		"sata has no place for <readonly/>": 3, "sata has no place for shareBacking='yes' of <transient>": 3,
		"sata has no place for logical_block_size='4096' of <blockio>": 4,
	}
	for _, bus := range []string{"virtio", "scsi", "sata"} {
		want["whether "+bus+" has a place for <backenddomain name='x'/> is not known"] = 4
		want["whether "+bus+" has a place for loadparm='1' of <boot> is not known"] = 4
	}
	assert.Equal(t, want, refused)
	assert.Greater(t, len(changes), 300)
}

// changeBuses is the child: it moves each disk that libvirt accepts as it is to
// each other bus.
func changeBuses(t *testing.T, folder string) {
	c := embedded(t, folder)
	if c == nil {
		return
	}
	defer c.Close()
	j := judge(t)
	var changes []change
	for i, s := range sayings {
		for _, from := range []string{"virtio", "scsi", "sata", "ide", "usb"} {
			before := s.on(from)
			if c.Define(t.Context(), before) != nil {
				continue // nobody has such a disk
			}
			for _, to := range []string{"virtio", "scsi", "sata"} {
				if to == from {
					continue
				}
				changed := change{Saying: i, From: from, To: to}
				wanted := definition.Wanted{Name: "odd", Disks: []definition.Disk{{Name: "a", Source: "/a", Kind: "block", Bus: to}}}
				after, _, err := definition.Edit(before, wanted)
				if err != nil {
					changed.Refused = err.Error()
				} else if err := c.Define(t.Context(), after); err != nil {
					changed.Answered = err.Error()
				} else if _, err := j.Define(t.Context(), after); err != nil {
					changed.Answered = "the test driver: " + err.Error()
				} else {
					require.NoError(t, j.Undefine(t.Context(), "odd"))
				}
				changes = append(changes, changed)
			}
			require.NoError(t, c.Undefine(t.Context(), "odd"))
		}
	}
	content, err := json.Marshal(changes)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(filepath.Join(folder, "changes"), content, 0o600))
}
