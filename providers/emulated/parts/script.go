package parts

import (
	"fmt"
	"regexp"
	"slices"
	"strings"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/twin"
	"lendkeep/spec/plain"
)

// Mark is the word of the kernel's command line by which a twin knows itself.
const Mark = "lendkeep.twin"

// guard keeps the script from doing anything elsewhere: it would erase drives.
const guard = `set -eu
read -r line < /proc/cmdline
case " $line " in
*" ` + Mark + ` "*) ;;
*) echo "this is no twin: nothing is done" >&2; exit 1 ;;
esac
`

// hostName is what a machine can be called (hostname(7)).
var hostName = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9.-]{0,63}$`)

// Script lays out the drives of a machine at its first boot, mounts what shall be
// mounted, gives every function to the driver that has it, and has libvirt know the
// guests: commands for a POSIX shell, run as root in a machine with Mark once
// StandIns are there. It ends at the first that fails.
func Script(m twin.Machine) string {
	s := begun(m)
	s.standIn()
	s.drives()
	s.settle()
	s.opened()
	s.drivers(twin.ByNone, twin.ByStub, twin.ByVFIO)
	s.guests()
	return s.text.String()
}

// begun has what every script begins with.
func begun(m twin.Machine) *script {
	s := &script{of: m, paths: map[string]string{}, groups: map[string]map[string]bool{}, mounted: make([]bool, len(m.Mounts)), at: map[facts.Address]facts.Address{}}
	for _, p := range m.Places {
		s.at[p.From] = p.To
	}
	s.text.WriteString(guard)
	if hostName.MatchString(m.Name) {
		s.text.WriteString("echo " + m.Name + " > /proc/sys/kernel/hostname\n")
	}
	// As systemd has it (src/core/mount-setup.c), so that what is unmounted goes in
	// the namespaces of guests as well.
	s.run("mount", "--make-rshared", "/")
	return s
}

// opened has what is built on drives there, and mounted.
func (s *script) opened() {
	for _, loops := range []bool{false, true} {
		s.volumes(loops)
		s.mounts()
	}
	for _, name := range s.of.Swaps {
		s.run("swapon", s.paths[name])
	}
}

type script struct {
	text    strings.Builder
	again   bool // all was made at an earlier boot
	of      twin.Machine
	at      map[facts.Address]facts.Address // in the machine, by that in the survey
	paths   map[string]string               // of devices in the machine, by their names in the survey
	groups  map[string]map[string]bool      // LVM groups, and what they lie on
	mounted []bool                          // by the machine's mounts
}

// run adds one command; every word is quoted.
func (s *script) run(words ...string) { s.text.WriteString(quoted(words) + "\n") }

// either adds a command, and another one for where that fails.
func (s *script) either(words, instead []string) {
	s.text.WriteString(quoted(words) + " ||\n\t" + quoted(instead) + "\n")
}

func quoted(words []string) string {
	list := make([]string, len(words))
	for i, word := range words {
		list[i] = plain.Quoted(word)
	}
	return strings.Join(list, " ")
}

func (s *script) settle() { s.run("udevadm", "settle", "--timeout=120") }

// located notes where drives and their partitions are, and gives the drives.
func (s *script) located() (disks []twin.Disk) {
	s.of.Each(func(p *twin.Part) {
		for i, d := range p.Disks {
			if p.Of == nil || p.Own || d.Of == "" { // an empty one, of which the survey knows nothing
				continue
			}
			s.paths[d.Of] = pathOf(p, s.at[*p.Of], d, i)
			disks = append(disks, d)
			if d.Table == nil {
				continue
			}
			for _, e := range d.Table.Partitions {
				s.paths[e.Of] = fmt.Sprintf("%s-part%d", s.paths[d.Of], e.Number)
			}
		}
	})
	return disks
}

// drives lays out tables first, so that one wait is enough for all partitions.
func (s *script) drives() {
	disks := s.located()
	for _, d := range disks {
		s.table(d)
	}
	s.settle()
	for _, d := range disks {
		s.fill(s.paths[d.Of], d.Holds)
		if d.Table == nil {
			continue
		}
		for _, e := range d.Table.Partitions {
			s.partition(s.paths[e.Of], e)
		}
	}
}

// pathOf names a drive by where it is (systemd src/udev/udev-builtin-path_id.c;
// that of NVMe is in the captured hosts, the others are from memory).
func pathOf(p *twin.Part, at facts.Address, d twin.Disk, i int) string {
	path := "/dev/disk/by-path/pci-" + at.String()
	switch p.Kind {
	case twin.NVMe:
		return fmt.Sprintf("%s-nvme-%d", path, d.Namespace)
	case twin.USB:
		return fmt.Sprintf("%s-usb-0:%d:1.0-scsi-0:0:0:0", path, i+1)
	case twin.SCSI:
		return fmt.Sprintf("%s-scsi-0:0:%d:0", path, i)
	default:
		return fmt.Sprintf("%s-ata-%d", path, i+1)
	}
}

func (s *script) table(d twin.Disk) {
	if d.Table == nil {
		return
	}
	words := []string{"sgdisk", "-a", "1", "-o"}
	if d.Table.ID != "" {
		words = append(words, "-U", d.Table.ID)
	}
	for _, e := range d.Table.Partitions {
		number := fmt.Sprint(e.Number)
		words = append(words, "-n", fmt.Sprintf("%s:%d:%d", number, e.StartBytes/d.SectorBytes, (e.StartBytes+e.SizeBytes)/d.SectorBytes-1))
		for _, set := range []struct{ option, value string }{{"-t", e.Type}, {"-u", e.ID}, {"-c", e.Name}} {
			if set.value != "" {
				words = append(words, set.option, number+":"+set.value)
			}
		}
	}
	s.run(append(words, s.paths[d.Of])...)
}

// drivers gives functions to what has them at first, where it is one of these: the
// kernel has given all to its own drivers.
func (s *script) drivers(held ...twin.Holding) {
	loaded := map[twin.Holding]bool{twin.ByNone: true}
	s.of.Each(func(p *twin.Part) {
		if p.Of == nil || !slices.Contains(held, p.Held) || p.Kind.Port() || p.Kind == twin.HostBridge {
			return
		}
		dir := "/sys/bus/pci/devices/" + s.at[*p.Of].String()
		if !loaded[p.Held] {
			loaded[p.Held] = true
			s.run("modprobe", string(p.Held))
		}
		if p.Held != twin.ByNone {
			fmt.Fprintf(&s.text, "echo %s > %s/driver_override\n", p.Held, dir)
		}
		fmt.Fprintf(&s.text, "if [ -e %s/driver ]; then echo %s > %s/driver/unbind; fi\n", dir, s.at[*p.Of], dir)
		if p.Held != twin.ByNone {
			fmt.Fprintf(&s.text, "echo %s > /sys/bus/pci/drivers_probe\n", s.at[*p.Of])
		}
	})
}
