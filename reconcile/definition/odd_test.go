package definition

import (
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// guestWith gives a small definition with parts of its own: after the memory,
// in <os> and in <devices>.
func guestWith(machine, os, devices string) string {
	if !strings.Contains(machine, "<vcpu") {
		machine += "\n  <vcpu>4</vcpu>"
	}
	if !strings.Contains(os, "<os") {
		os = "<os>\n    <type arch='x86_64' machine='q35'>hvm</type>" + os + "\n  </os>"
	}
	return fmt.Sprintf("<domain type='kvm'>\n  <name>odd</name>\n  <memory unit='KiB'>1048576</memory>%s\n  %s\n  <devices>%s\n  </devices>\n</domain>\n", machine, os, devices)
}

func TestEditOfTheOdd(t *testing.T) {
	on, off := true, false
	disk := func(bus string) Wanted {
		return Wanted{Disks: []Disk{{Name: "a", Source: "/dev/a", Kind: "block", Bus: bus}}}
	}
	blockDisk := func(driver, target, more string) string {
		return guestWith("", "", "\n    <disk type='block' device='disk'>\n      <driver name='qemu' type='raw'"+driver+"/>\n      <source dev='/dev/a'/>\n      <target "+target+"/>"+more+"\n    </disk>")
	}
	scsiHost := "\n    <hostdev mode='subsystem' type='scsi'>\n      <source>\n        <adapter name='scsi_host0'/>\n        <address bus='0' target='0' unit='0'/>\n      </source>\n      <address type='drive' controller='0' bus='0' target='0' unit='0'/>\n    </hostdev>"
	tests := []struct {
		name    string
		xml     string
		w       Wanted
		changes []string
		has     string
		hasNot  string
	}{
		{"variables in a file, Secure Boot", guestWith("", "\n    <loader readonly='yes' secure='yes' type='pflash'>/fw/sb.fd</loader>\n    <nvram type='file'>\n      <source file='/v/odd.fd'/>\n    </nvram>", ""),
			Wanted{Firmware: "bios"}, []string{"Secure Boot is no longer asked for",
				"firmware: without <loader readonly='yes' secure='yes' type='pflash'>/fw/sb.fd</loader>",
				"firmware variables /v/odd.fd no longer used, nor the boot entries and keys in them; the store itself stays",
				"firmware: without <nvram type='file'><source file='/v/odd.fd'/></nvram>", "firmware BIOS instead of UEFI"}, "hvm</type>\n  </os>", "nvram"},
		{"variables on the network", guestWith("", "\n    <loader readonly='yes' type='pflash'>/fw/a.fd</loader>\n    <nvram type='network'>\n      <source protocol='nbd' name='vars'/>\n    </nvram>", ""),
			Wanted{Firmware: "/fw/b.fd"}, []string{"firmware: without <loader readonly='yes' type='pflash'>/fw/a.fd</loader>",
				"firmware variables nbd:vars no longer used, nor the boot entries and keys in them; the store itself stays",
				"firmware: without <nvram type='network'><source protocol='nbd' name='vars'/></nvram>", "firmware /fw/b.fd instead of /fw/a.fd"}, "/fw/b.fd</loader>", "nvram"},
		{"features that libvirt chooses by", guestWith("", "<os firmware='efi'>\n    <type>hvm</type>\n    <firmware>\n      <feature enabled='yes' name='secure-boot'/>\n    </firmware>\n  </os>", ""),
			Wanted{Firmware: "bios"}, []string{"Secure Boot is no longer asked for", "libvirt no longer chooses firmware by <os firmware='efi'>",
				"firmware: without <firmware><feature enabled='yes' name='secure-boot'/></firmware>", "firmware BIOS instead of UEFI"}, "<os>\n    <type>hvm</type>\n  </os>", "feature"},
		{"fewer processors", guestWith("\n  <vcpu>4</vcpu>\n  <vcpus>\n    <vcpu id='0' enabled='yes'/>\n  </vcpus>\n  <cputune>\n    <vcpupin vcpu='3' cpuset='1'/>\n    <vcpusched vcpus='0-3' scheduler='fifo' priority='1'/>\n    <vcpusched vcpus='2' scheduler='rr' priority='1'/>\n  </cputune>", "", ""),
			Wanted{CPUs: 2}, []string{"2 processors instead of 4", "processors: without <vcpus><vcpu id='0' enabled='yes'/></vcpus>", "processors: without <vcpupin vcpu='3' cpuset='1'/>",
				"processors: <vcpusched vcpus='0-3' scheduler='fifo' priority='1'/> for 0-1 alone", "processors: without <vcpusched vcpus='2' scheduler='rr' priority='1'/>"},
			"<cputune>\n    <vcpusched vcpus='0-1' scheduler='fifo' priority='1'/>\n  </cputune>", "<vcpus>"},
		{"memory below maxMemory", guestWith("\n  <maxMemory slots='4' unit='GiB'>8</maxMemory>", "", ""), Wanted{MemoryBytes: 8 << 30}, []string{"memory 8 GiB instead of 1 GiB"}, "", ""},
		{"a comment beside huge pages", guestWith("\n  <memoryBacking>\n    <!-- of the shelf -->\n    <hugepages/>\n  </memoryBacking>", "", ""), Wanted{HugePages: &off},
			[]string{"memory no longer in huge pages"}, "  <memoryBacking>\n    <!-- of the shelf -->\n  </memoryBacking>", ""},
		{"a comment where huge pages come", guestWith("\n  <memoryBacking>\n    <!-- none yet -->\n  </memoryBacking>", "", ""), Wanted{HugePages: &on},
			[]string{"memory in huge pages"}, "<!-- none yet -->\n    <hugepages/>\n", ""},
		{"page sizes", guestWith("\n  <memoryBacking>\n    <hugepages>\n      <page size='1' unit='GiB'/>\n    </hugepages>\n  </memoryBacking>", "", ""), Wanted{HugePages: &off},
			[]string{"memory: without <hugepages><page size='1' unit='GiB'/></hugepages>", "memory no longer in huge pages"}, "", "memoryBacking"},
		{"virtio's own, to SATA", blockDisk(" queues='2' cache='none'", "dev='vda' bus='virtio'", "\n      <serial>0123456789012345678901</serial>\n      <address type='pci' bus='0x01' slot='0x00' function='0x0'/>"), disk("sata"),
			[]string{"disk a: sda on sata instead of virtio", "disk a: without queues='2' of <driver>", "disk a: without <address type='pci' bus='0x01' slot='0x00' function='0x0'/>",
				"disk a: the guest sees 20 characters of its serial number 0123456789012345678901 on sata"}, "<driver name='qemu' type='raw' cache='none'/>", "queues"},
		{"a name that the host's SCSI device stands behind", strings.Replace(blockDisk("", "dev='vda' bus='virtio'", ""), "\n  </devices>", scsiHost+"\n  </devices>", 1), disk("scsi"),
			[]string{"disk a: sdb on scsi instead of virtio", "SCSI controller 0 (virtio-scsi)"}, "dev='sdb' bus='scsi'", ""},
		{"a controller of another number", strings.Replace(blockDisk("", "dev='vda' bus='virtio'", ""), "\n  </devices>", "\n    <controller type='scsi' index='1' model='lsilogic'/>\n  </devices>", 1), disk("scsi"),
			[]string{"disk a: sda on scsi instead of virtio", "SCSI controller 0 (virtio-scsi)"}, "", ""},
		{"a name that an address of another disk stands behind", strings.Replace(blockDisk("", "dev='vda' bus='virtio'", ""), "\n  </devices>",
			"\n    <disk type='file' device='cdrom'>\n      <target dev='sdq' bus='sata'/>\n      <address type='drive' controller='0' bus='0' target='0' unit='0'/>\n    </disk>\n  </devices>", 1), disk("sata"),
			[]string{"disk a: sdb on sata instead of virtio"}, "", ""},
		{"an alias of the operator's own", blockDisk("", "dev='vda' bus='virtio'", "\n      <alias name='ua-fast'/>"), Wanted{Disks: []Disk{{Name: "vda", Source: "/dev/b", Kind: "block"}}},
			[]string{"disk vda: /dev/b instead of /dev/a"}, "<alias name='ua-fast'/>", ""},
		{"a card with an alias of the operator's own", guestWith("", "", "\n    <interface type='bridge'>\n      <source bridge='br0'/>\n      <alias name='ua-lan'/>\n    </interface>"), Wanted{Networks: []Network{{Name: "far", Bridge: "br0"}}}, nil, "", "ua-lendkeep"},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			test.w.Name = "odd"
			after, changes := edited(t, test.xml, test.w)
			assert.Equal(t, test.changes, changes)
			assert.Contains(t, after, test.has)
			if test.hasNot != "" {
				assert.NotContains(t, after, test.hasNot)
			}
		})
	}
}

func TestEditRefusesTheOdd(t *testing.T) {
	on := true
	disk := func(attrs, driver, more string) string {
		return guestWith("", "", "\n    <disk type='block' "+attrs+">\n      <driver name='qemu' type='raw'"+driver+"/>\n      <source dev='/dev/a'/>\n      <target dev='vda' bus='virtio'/>"+more+"\n    </disk>")
	}
	to := func(source, bus string) Wanted {
		return Wanted{Disks: []Disk{{Name: "vda", Source: source, Kind: "block", Bus: bus}}}
	}
	tests := []struct {
		name, xml string
		w         Wanted
		says      string
	}{
		{"no BIOS", guestWith("", "<os firmware='efi'>\n    <type arch='aarch64'>hvm</type>\n  </os>", ""), Wanted{Firmware: "bios"}, "architecture aarch64 has no BIOS"},
		{"an image of unknown kind", guestWith("", "\n    <loader type='rom'>/fw/x.bin</loader>", ""), Wanted{Firmware: "uefi"}, "what its firmware /fw/x.bin is cannot be told"},
		{"protected memory", guestWith("\n  <launchSecurity type='sev'/>", "<os firmware='efi'>\n    <type>hvm</type>\n  </os>", ""), Wanted{Firmware: "bios"}, "protected together with its firmware"},
		{"a part of <os> that nobody knows", guestWith("", "\n    <fuse/>", ""), Wanted{Firmware: "uefi"}, "beside <fuse/> is not known"},
		{"tuning of those gone", guestWith("\n  <vcpu>4</vcpu>\n  <cputune>\n    <cachetune vcpus='3'/>\n  </cputune>", "", ""), Wanted{CPUs: 2}, "tunes processors that it would have no longer"},
		{"memory above maxMemory", guestWith("\n  <maxMemory slots='4' unit='GiB'>8</maxMemory>", "", ""), Wanted{MemoryBytes: 9 << 30}, "<maxMemory> of 8 GiB is less than 9 GiB"},
		{"memory above the hard limit", guestWith("\n  <memtune>\n    <hard_limit unit='GiB'>2</hard_limit>\n  </memtune>", "", ""), Wanted{MemoryBytes: 4 << 30}, "<hard_limit> of 2 GiB is less"},
		{"memory modules", guestWith("", "", "\n    <memory model='dimm'/>"), Wanted{MemoryBytes: 4 << 30}, "part of its 1 GiB is in memory devices (<memory model='dimm'/>)"},
		{"memory of its own nodes", guestWith("\n  <cpu>\n    <numa>\n      <cell id='0' cpus='0-3' memory='1048576'/>\n    </numa>\n  </cpu>", "", ""), Wanted{MemoryBytes: 4 << 30}, "NUMA nodes of its own"},
		{"huge pages of anonymous memory", guestWith("\n  <memoryBacking>\n    <source type='anonymous'/>\n  </memoryBacking>", "", ""), Wanted{HugePages: &on}, "keeps it from huge pages"},
		{"a read-only disk on SATA", disk("device='disk'", "", "<readonly/>"), to("/dev/a", "sata"), "sata has no place for <readonly/>"},
		{"large blocks on SATA", disk("device='disk'", "", "<blockio logical_block_size='4096'/>"), to("/dev/a", "sata"), "no place for logical_block_size='4096'"},
		{"what nobody knows on another bus", disk("device='disk'", " warp='9'", ""), to("/dev/a", "scsi"), "a place for warp='9' of <driver> is not known"},
		{"a LUN on SATA", disk("device='lun'", "", ""), to("/dev/a", "sata"), "sata has no lun"},
		{"another image for a LUN", disk("device='lun'", "", "<alias name='ua-lendkeep-disk-vda'/>"), to("/dev/b", ""), "another kind of disk in its place"},
		{"an image in a drive's place", guestWith("", "", "\n    <disk type='nvme' device='disk'>\n      <source type='pci' namespace='1'>\n        <address domain='0' bus='6' slot='0' function='0'/>\n      </source>\n      <target dev='vda' bus='virtio'/>\n    </disk>"), to("/dev/b", ""), "another kind of disk in its place"},
		{"an alias that may be lendkeep's", disk("device='disk'", "", "<alias name='ua-system'/>"), Wanted{Disks: []Disk{{Name: "system", Source: "/dev/b", Kind: "block"}}}, "make that ua-lendkeep-disk-system by hand if it is"},
		{"a card's alias that may be lendkeep's", guestWith("", "", "\n    <interface type='bridge'>\n      <source bridge='br0'/>\n      <alias name='ua-net-lan'/>\n    </interface>"), Wanted{Networks: []Network{{Name: "lan", Bridge: "br1"}}}, "make that ua-lendkeep-net-lan by hand"},
		{"a card with ports elsewhere", guestWith("", "", "\n    <interface type='direct'>\n      <mac address='52:54:00:00:00:01'/>\n      <source dev='eth0' mode='bridge'/>\n      <virtualport type='802.1Qbg'/>\n    </interface>"), Wanted{Networks: []Network{{Name: "lan", Bridge: "br1", MAC: "52:54:00:00:00:01"}}}, "<virtualport type='802.1Qbg'/> can be had on bridge br1 is not known"},
		{"a card that is a device of the host's", guestWith("", "", "\n    <interface type='hostdev'>\n      <mac address='52:54:00:00:00:01'/>\n      <source>\n        <address type='pci' domain='0' bus='5' slot='0' function='0'/>\n      </source>\n    </interface>"), Wanted{Networks: []Network{{Name: "lan", Bridge: "br1", MAC: "52:54:00:00:00:01"}}}, "a device of the host's"},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			test.w.Name = "odd"
			_, changes, err := Edit(test.xml, test.w)
			require.ErrorContains(t, err, test.says)
			assert.Empty(t, changes)
		})
	}
}
