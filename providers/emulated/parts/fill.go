package parts

import (
	"fmt"
	"path"
	"slices"
	"strings"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/twin"
)

// key opens every encrypted device of a twin: there is nothing in them.
const key = "twin"

// makers hold what makes a thing on a device: the program with its words, and the
// options for label and identifier; empty: it takes none. A log of XFS is written
// whole, and would be 2 GB on a large drive; this one is enough for 8 TiB, and lets a
// filesystem be as small as the host's (measured with xfsprogs 6.1.0).
var makers = map[string]struct {
	words       []string
	label, uuid string
}{
	"xfs":         {[]string{"mkfs.xfs", "-q", "-f", "-K", "--unsupported", "-l", "size=12m"}, "-L", "-m"},
	"ext2":        {[]string{"mke2fs", "-q", "-F", "-t", "ext2", "-E", "nodiscard"}, "-L", "-U"},
	"ext3":        {[]string{"mke2fs", "-q", "-F", "-t", "ext3", "-E", "nodiscard"}, "-L", "-U"},
	"ext4":        {[]string{"mke2fs", "-q", "-F", "-t", "ext4", "-E", "nodiscard,lazy_itable_init=1,lazy_journal_init=1"}, "-L", "-U"},
	"vfat":        {[]string{"mkfs.vfat"}, "-n", "-i"},
	"swap":        {[]string{"mkswap"}, "-L", "-U"},
	"LVM2_member": {[]string{"pvcreate", "-qq", "-ff", "-y"}, "", "--uuid"},
	"crypto_LUKS": {[]string{"cryptsetup", "luksFormat", "-q", "--type", "luks2", "--pbkdf", "pbkdf2", "--pbkdf-force-iterations", "1000", "--key-file", "-"}, "", "--uuid"},
}

// fill makes what a device shall hold. The members of an array are made with it.
func (s *script) fill(device string, holds *facts.Signature) {
	if holds == nil || holds.Kind == "linux_raid_member" {
		return
	}
	m := makers[holds.Kind]
	words := append([]string{}, m.words...)
	if holds.Label != "" {
		words = append(words, m.label, holds.Label)
	}
	if holds.UUID != "" {
		words = append(words, m.uuid, identifier(holds))
		if holds.Kind == "LVM2_member" {
			words = append(words, "--norestorefile")
		}
	}
	if holds.Kind == "crypto_LUKS" {
		s.text.WriteString("printf " + key + " | ")
	}
	s.run(append(words, device)...)
}

// partition makes what a partition shall hold, and has guests start from an ESP.
func (s *script) partition(device string, e twin.Partition) {
	s.fill(device, e.Holds)
	if e.StandIn() {
		s.onESP(device)
	}
}

func identifier(holds *facts.Signature) string {
	switch holds.Kind {
	case "xfs":
		return "uuid=" + holds.UUID
	case "vfat":
		return strings.ReplaceAll(holds.UUID, "-", "")
	default:
		return holds.UUID
	}
}

// volumes builds what can be built so far, each after what it is built on; the
// files of loop devices are there only once all else is mounted.
func (s *script) volumes(loops bool) {
	for _, v := range s.of.Volumes {
		var on []string
		built := s.paths[v.Of] != "" || v.By == twin.ByLoop && !loops
		for _, name := range v.On {
			on = append(on, s.paths[name])
			built = built || s.paths[name] == ""
		}
		if built {
			continue
		}
		if s.again {
			s.paths[v.Of] = s.activated(v, on)
			s.settle()
			continue
		}
		s.paths[v.Of] = s.volume(v, on)
		s.settle()
		s.fill(s.paths[v.Of], v.Holds)
	}
}

// volume makes one, and gives its device.
func (s *script) volume(v twin.Volume, on []string) (device string) {
	switch v.By {
	case twin.ByLVM:
		s.group(v.Group, on)
		words := []string{"lvcreate", "-qq", "-y", "-n", v.Name, v.Group}
		// The host's group may have smaller extents.
		s.either(slices.Concat(words, []string{"-L", fmt.Sprintf("%db", v.SizeBytes)}, on), slices.Concat(words, []string{"-l", "100%PVS"}, on))
	case twin.ByMD:
		words := []string{"mdadm", "--create", "/dev/" + v.Name, "--run", "--quiet", "--assume-clean", "--metadata=1.2", "--level=" + v.Level, fmt.Sprintf("--raid-devices=%d", len(on))}
		if v.ID != "" {
			words = append(words, "--uuid="+v.ID)
		}
		s.run(append(words, on...)...)
	case twin.ByLoop:
		s.run("mkdir", "-p", path.Dir(v.File))
		s.run("truncate", "-s", fmt.Sprint(v.SizeBytes), v.File)
		s.open(v, on)
	case twin.ByLUKS:
		s.open(v, on)
	}
	return deviceOf(v)
}

// open has the device of an encrypted one, or of a file, be there.
func (s *script) open(v twin.Volume, on []string) {
	if v.By == twin.ByLoop {
		s.run("losetup", deviceOf(v), v.File)
		return
	}
	s.text.WriteString("printf " + key + " | ")
	s.run("cryptsetup", "open", "--key-file", "-", on[0], v.Name)
}

func deviceOf(v twin.Volume) string {
	switch v.By {
	case twin.ByLVM:
		return "/dev/" + v.Group + "/" + v.Name
	case twin.ByLUKS:
		return "/dev/mapper/" + v.Name
	case twin.ByMD:
		return "/dev/" + v.Name
	default:
		return "/dev/" + v.Of
	}
}

// group makes an LVM group, or adds to it what of a volume lies elsewhere.
func (s *script) group(name string, on []string) {
	program := "vgextend"
	if s.groups[name] == nil {
		s.groups[name], program = map[string]bool{}, "vgcreate"
	}
	words := []string{program, "-qq", "-y", name}
	for _, device := range on {
		if !s.groups[name][device] {
			s.groups[name][device] = true
			words = append(words, device)
		}
	}
	if len(words) > 4 {
		s.run(words...)
	}
}

// mounts mounts what is built so far and not mounted yet.
func (s *script) mounts() {
	for i, m := range s.of.Mounts {
		if s.mounted[i] || s.paths[m.Of] == "" {
			continue
		}
		s.mounted[i] = true
		s.run("mkdir", "-p", m.Path)
		words := []string{"mount", "-t", m.Kind}
		if len(m.Options) > 0 {
			words = append(words, "-o", strings.Join(m.Options, ","))
		}
		s.run(append(words, s.paths[m.Of], m.Path)...)
	}
}
