package measure

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"lendkeep/reconcile/speed"
)

// tree makes a root directory of lines "path: content" and "path -> target", laid out
// as the kernel does (Linux Documentation/ABI: testing/sysfs-block, sysfs-class-nvme,
// sysfs-bus-pci; from memory where that does not say how the folders lie).
func tree(t *testing.T, lines string) *system {
	t.Helper()
	root := t.TempDir()
	for line := range strings.Lines(lines) {
		if line = strings.TrimSpace(line); line == "" {
			continue
		}
		name, target, link := strings.Cut(line, " -> ")
		content := ""
		if !link {
			name, content, _ = strings.Cut(line, ": ")
		}
		name = filepath.Join(root, name)
		require.NoError(t, os.MkdirAll(filepath.Dir(name), 0o755))
		switch {
		case link:
			to, err := filepath.Rel(filepath.Dir(name), filepath.Join(root, target))
			require.NoError(t, err)
			require.NoError(t, os.MkdirAll(filepath.Join(root, target), 0o755))
			require.NoError(t, os.Symlink(to, name))
		case content == "folder":
			require.NoError(t, os.MkdirAll(name, 0o755))
		default:
			require.NoError(t, os.WriteFile(name, []byte(strings.ReplaceAll(content, `\0`, "\x00")+"\n"), 0o644))
		}
	}
	return &system{root: root}
}

const nvme = `
sys/devices/pci0000:00/0000:00:06.0/subsystem -> sys/bus/pci
sys/devices/pci0000:00/0000:00:06.0/driver -> sys/bus/pci/drivers/nvme
sys/bus/pci/drivers/nvme/module -> sys/module/nvme
sys/module/nvme/version: 1.0
sys/devices/pci0000:00/0000:00:06.0/nvme/nvme0/subsystem -> sys/class/nvme
sys/devices/pci0000:00/0000:00:06.0/nvme/nvme0/model: Studio 1TB                              
sys/devices/pci0000:00/0000:00:06.0/nvme/nvme0/serial: S0REEL01            
sys/devices/pci0000:00/0000:00:06.0/nvme/nvme0/firmware_rev: 2B2QEXM7
sys/devices/pci0000:00/0000:00:06.0/nvme/nvme0/hwmon1/temp1_input: 41850
sys/devices/pci0000:00/0000:00:06.0/nvme/nvme0/nvme0n1/device -> sys/devices/pci0000:00/0000:00:06.0/nvme/nvme0
sys/devices/pci0000:00/0000:00:06.0/nvme/nvme0/nvme0n1/size: 1953525168
sys/devices/pci0000:00/0000:00:06.0/nvme/nvme0/nvme0n1/queue/logical_block_size: 512
sys/devices/pci0000:00/0000:00:06.0/nvme/nvme0/nvme0n1/stat: 1 2 3 4 5 6 7 8 9 1234 11
sys/devices/pci0000:00/0000:00:06.0/nvme/nvme0/nvme0n1/nvme0n1p2/partition: 2
sys/dev/block/259:2 -> sys/devices/pci0000:00/0000:00:06.0/nvme/nvme0/nvme0n1/nvme0n1p2
`

var reel = speed.Target{Block: "nvme0n1", Driver: "nvme", DriverVersion: "1.0",
	Drive: speed.Drive{Model: "Studio 1TB", Serial: "S0REEL01", Firmware: "2B2QEXM7", Bus: "nvme", SizeBytes: 1000204886016, SectorBytes: 512}}

func TestDrives(t *testing.T) {
	layered := reel
	layered.Layers = []string{"lvm", "crypt"}
	for name, c := range map[string]struct {
		lines string
		want  speed.Target
		gap   string
	}{
		"partition of an NVMe drive": {strings.Replace(nvme, "259:2", "8:1", 1), reel, ""},
		"LVM over encryption over it": {nvme + `
			sys/dev/block/8:1 -> sys/devices/virtual/block/dm-1
			sys/devices/virtual/block/dm-1/dm/uuid: LVM-abcdef
			sys/devices/virtual/block/dm-1/slaves/dm-0 -> sys/devices/virtual/block/dm-0
			sys/devices/virtual/block/dm-0/dm/uuid: CRYPT-LUKS2-abcdef-x
			sys/devices/virtual/block/dm-0/slaves/nvme0n1p2 -> sys/devices/pci0000:00/0000:00:06.0/nvme/nvme0/nvme0n1/nvme0n1p2`, layered, ""},
		"an array of two": {`
			sys/dev/block/8:1 -> sys/devices/virtual/block/md0
			sys/devices/virtual/block/md0/md/level: raid1
			sys/devices/virtual/block/md0/slaves/sda -> sys/devices/a
			sys/devices/virtual/block/md0/slaves/sdb -> sys/devices/b`, speed.Target{Layers: []string{"raid1"}}, "2 drives share the work"},
		"something over one drive, of nobody's name": {strings.ReplaceAll(nvme, "259:2", "259:9") + `
			sys/dev/block/8:1 -> sys/devices/virtual/block/bcache0
			sys/devices/virtual/block/bcache0/slaves/nvme0n1 -> sys/devices/pci0000:00/0000:00:06.0/nvme/nvme0/nvme0n1`, func() speed.Target { r := reel; r.Layers = []string{"unknown"}; return r }(), ""},
		"a virtual disk": {`
			sys/dev/block/8:1 -> sys/devices/pci0000:00/0000:00:04.0/virtio1/block/vda
			sys/devices/pci0000:00/0000:00:04.0/subsystem -> sys/bus/pci
			sys/devices/pci0000:00/0000:00:04.0/driver -> sys/bus/pci/drivers/virtio-pci
			sys/devices/pci0000:00/0000:00:04.0/virtio1/subsystem -> sys/bus/virtio
			sys/devices/pci0000:00/0000:00:04.0/virtio1/driver -> sys/bus/virtio/drivers/virtio_blk
			sys/devices/pci0000:00/0000:00:04.0/virtio1/vendor: 0x1af4
			sys/devices/pci0000:00/0000:00:04.0/virtio1/block/vda/device -> sys/devices/pci0000:00/0000:00:04.0/virtio1
			sys/devices/pci0000:00/0000:00:04.0/virtio1/block/vda/serial: GRADING
			sys/devices/pci0000:00/0000:00:04.0/virtio1/block/vda/size: 2048`,
			speed.Target{Block: "vda", Driver: "virtio_blk", Drive: speed.Drive{Serial: "GRADING", Bus: "virtio", SizeBytes: 1 << 20}}, ""},
		"a SATA drive": {`
			sys/dev/block/8:1 -> sys/devices/pci0000:00/0000:00:17.0/ata1/host0/target0:0:0/0:0:0:0/block/sda
			sys/devices/pci0000:00/0000:00:17.0/subsystem -> sys/bus/pci
			sys/devices/pci0000:00/0000:00:17.0/driver -> sys/bus/pci/drivers/ahci
			sys/devices/pci0000:00/0000:00:17.0/ata1/host0/target0:0:0/0:0:0:0/subsystem -> sys/bus/scsi
			sys/devices/pci0000:00/0000:00:17.0/ata1/host0/target0:0:0/0:0:0:0/driver -> sys/bus/scsi/drivers/sd
			sys/devices/pci0000:00/0000:00:17.0/ata1/host0/target0:0:0/0:0:0:0/vendor: ATA
			sys/devices/pci0000:00/0000:00:17.0/ata1/host0/target0:0:0/0:0:0:0/model: Ledger 500
			sys/devices/pci0000:00/0000:00:17.0/ata1/host0/target0:0:0/0:0:0:0/rev: 1A
			sys/devices/pci0000:00/0000:00:17.0/ata1/host0/target0:0:0/0:0:0:0/vpd_pg80: abcdLG-7
			sys/devices/pci0000:00/0000:00:17.0/ata1/host0/target0:0:0/0:0:0:0/block/sda/device -> sys/devices/pci0000:00/0000:00:17.0/ata1/host0/target0:0:0/0:0:0:0`,
			speed.Target{Block: "sda", Driver: "ahci", Drive: speed.Drive{Model: "Ledger 500", Serial: "LG-7", Firmware: "1A", Bus: "sata"}}, ""},
		"a stick": {`
			sys/dev/block/8:1 -> sys/devices/pci0000:00/0000:00:14.0/usb1/1-1/1-1:1.0/host6/target6:0:0/6:0:0:0/block/sdb
			sys/devices/pci0000:00/0000:00:14.0/usb1/1-1/1-1:1.0/subsystem -> sys/bus/usb
			sys/devices/pci0000:00/0000:00:14.0/usb1/1-1/1-1:1.0/driver -> sys/bus/usb/drivers/uas
			sys/devices/pci0000:00/0000:00:14.0/usb1/1-1/1-1:1.0/host6/target6:0:0/6:0:0:0/subsystem -> sys/bus/scsi
			sys/devices/pci0000:00/0000:00:14.0/usb1/1-1/1-1:1.0/host6/target6:0:0/6:0:0:0/vendor: Stick
			sys/devices/pci0000:00/0000:00:14.0/usb1/1-1/1-1:1.0/host6/target6:0:0/6:0:0:0/model: 64
			sys/devices/pci0000:00/0000:00:14.0/usb1/1-1/1-1:1.0/host6/target6:0:0/6:0:0:0/block/sdb/device -> sys/devices/pci0000:00/0000:00:14.0/usb1/1-1/1-1:1.0/host6/target6:0:0/6:0:0:0`,
			speed.Target{Block: "sdb", Driver: "uas", Drive: speed.Drive{Model: "Stick 64", Bus: "usb"}}, ""},
		"an NVMe namespace with several paths": {`
			sys/dev/block/8:1 -> sys/devices/virtual/nvme-subsystem/nvme-subsys0/nvme0n1
			sys/devices/virtual/nvme-subsystem/nvme-subsys0/nvme0n1/device -> sys/devices/virtual/nvme-subsystem/nvme-subsys0
			sys/devices/virtual/nvme-subsystem/nvme-subsys0/model: Twin
			sys/devices/virtual/nvme-subsystem/nvme-subsys0/nvme1 -> sys/devices/pci0000:00/0000:00:07.0/nvme/nvme1
			sys/devices/pci0000:00/0000:00:07.0/nvme/nvme1/device -> sys/devices/pci0000:00/0000:00:07.0
			sys/devices/pci0000:00/0000:00:07.0/subsystem -> sys/bus/pci
			sys/devices/pci0000:00/0000:00:07.0/driver -> sys/bus/pci/drivers/nvme`,
			speed.Target{Block: "nvme0n1", Driver: "nvme", Drive: speed.Drive{Model: "Twin", Bus: "nvme"}}, ""},
		"a file that stands for a drive": {`
			sys/dev/block/8:1 -> sys/devices/virtual/block/loop0
			sys/devices/virtual/block/loop0/size: 8`,
			speed.Target{Block: "loop0", Drive: speed.Drive{SizeBytes: 4096}}, "neither model nor serial"},
		"nothing": {`sys/dev/block/1:1 -> sys/devices/x`, speed.Target{}, "block device 8:1 is not there"},
		"a drive over itself": {`
			sys/dev/block/8:1 -> sys/devices/virtual/block/dm-0
			sys/devices/virtual/block/dm-0/slaves/dm-0 -> sys/devices/virtual/block/dm-0`, speed.Target{}, "16 devices and more"},
	} {
		t.Run(name, func(t *testing.T) {
			s := tree(t, c.lines)
			var got speed.Target
			s.drive(unix.Mkdev(8, 1), &got)
			if name != "a drive over itself" {
				assert.Equal(t, c.want, got)
			}
			var said []string
			for _, g := range s.gaps {
				said = append(said, g.Reason)
				assert.True(t, strings.HasPrefix(g.Path, "/sys/"), g.Path)
			}
			if c.gap == "" {
				assert.Empty(t, said)
			} else {
				assert.Contains(t, strings.Join(said, "; "), c.gap)
			}
		})
	}
}

func TestTemperatureAndLoadOfADrive(t *testing.T) {
	s := tree(t, nvme)
	dir := s.drive(unix.Mkdev(259, 2), new(speed.Target))
	assert.Equal(t, 41, *s.temperature(dir))
	assert.EqualValues(t, 1234, s.busy(dir))
	assert.Zero(t, s.busy(""))
	assert.Nil(t, s.temperature(t.TempDir()))
}

func TestPlace(t *testing.T) {
	s := tree(t, `
		etc/os-release: PRETTY_NAME="Debian GNU/Linux 12 (bookworm)"
		proc/sys/kernel/osrelease: 6.1.0-56-amd64
		proc/meminfo: MemTotal:       16384000 kB
		sys/devices/system/cpu/cpu0/cpufreq/scaling_governor: powersave
		sys/devices/system/cpu/cpu1/cpufreq/scaling_governor: performance
		sys/devices/system/cpu/cpu2/cpufreq/scaling_governor: performance`)
	assert.Equal(t, speed.Place{Name: "Debian GNU/Linux 12 (bookworm)", Release: "6.1.0-56-amd64", MemoryBytes: 16384000 << 10}, s.place())
	assert.Equal(t, "performance, powersave", s.power())
	assert.Empty(t, s.gaps)
}

// The first line of /proc/stat, after proc(5).
func TestTicks(t *testing.T) {
	for line, want := range map[string]ticks{
		"cpu  10 1 5 900 50 2 3 29 8 1": {busy: 21, stolen: 29, all: 1000},
		"cpu  10 1 5 900":               {busy: 16, all: 916},
		"cpu":                           {},
		"":                              {},
	} {
		assert.Equal(t, want, tree(t, "proc/stat: "+line).ticks(), line)
	}
}

func TestMounted(t *testing.T) {
	s := tree(t, `proc/self/fdinfo/7: mnt_id:	31`)
	require.NoError(t, os.WriteFile(filepath.Join(s.root, "proc/self/mountinfo"), []byte(
		"30 1 8:1 / / rw - ext4 /dev/sda1 rw\n31 30 0:44 /sub /srv rw,relatime shared:1 - btrfs /dev/sdb2 rw\n"), 0o644))
	kind, source := s.mounted(7)
	assert.Equal(t, "btrfs /dev/sdb2", kind+" "+source)
	kind, _ = s.mounted(8)
	assert.Empty(t, kind)
	assert.NotEmpty(t, s.gaps)
}
