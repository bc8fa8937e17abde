package parts

import (
	"fmt"
	"path"

	"lendkeep/reconcile/twin"
)

// standIn makes the image out of which those of guests are made: a boot sector, and
// an EFI system partition with the program where firmware looks for it (UEFI 2.10,
// 3.5.1.1).
func (s *script) standIn() {
	const at = "/run/stand-in"
	s.run("truncate", "-s", "64M", standInImage)
	s.run("sgdisk", "-n", "1:2048:+32M", "-t", "1:ef00", standInImage)
	s.run("mkfs.vfat", "--offset", "2048", standInImage, "32768")
	s.run("mkdir", "-p", at)
	s.run("mount", "-t", "vfat", "-o", "loop,offset=1048576", standInImage, at)
	s.program(at)
	s.run("umount", at)
	s.sector(standInImage)
}

// sector has a BIOS start the stand-in.
func (s *script) sector(image string) {
	s.run("dd", "if="+standInSector, "of="+image, "conv=notrunc", "status=none")
}

// program puts the program where firmware looks for it on a mounted ESP.
func (s *script) program(at string) {
	s.run("mkdir", "-p", at+"/EFI/BOOT")
	s.run("cp", standInProgram, at+"/EFI/BOOT/BOOTX64.EFI")
}

// onESP puts the program on an ESP.
func (s *script) onESP(device string) {
	const at = "/run/esp"
	s.run("mkdir", "-p", at)
	s.run("mount", "-t", "vfat", device, at)
	s.program(at)
	s.run("umount", at)
}

// guests makes the guests' images, and has libvirt know and start them.
func (s *script) guests() {
	for _, g := range s.of.Guests {
		for _, image := range g.Images {
			from := standInImage
			if image.Disk != nil {
				from = s.partitioned(*image.Disk)
			}
			s.run("mkdir", "-p", path.Dir(image.Path))
			s.run("qemu-img", "convert", "-f", "raw", "-O", formatOf(image), from, image.Path)
		}
	}
	for i, g := range s.of.Guests {
		file := fmt.Sprintf("/run/guest-%d.xml", i+1)
		s.text.WriteString("printf %s " + quoted([]string{g.XML}) + " > " + file + "\n")
		s.run("virsh", "-q", "define", file)
		if g.Autostart {
			s.run("virsh", "-q", "autostart", "--", g.Name)
		}
	}
	for _, g := range s.of.Guests {
		if g.Running {
			s.run("virsh", "-q", "start", "--", g.Name)
		}
	}
}

// partitioned makes a stand-in's image with the partitions that a guest's has, each with
// what it holds, and gives its file.
func (s *script) partitioned(d twin.Disk) (file string) {
	const at, loop = "/run/partitioned.img", "/run/partitioned"
	s.run("rm", "-f", at)
	s.run("truncate", "-s", fmt.Sprint(d.SizeBytes), at)
	s.paths[d.Of] = at
	s.table(d)
	s.text.WriteString("loop=$(losetup -P -f --show " + at + ")\n")
	s.settle()
	for _, e := range d.Table.Partitions {
		fmt.Fprintf(&s.text, "ln -sfn \"${loop}p%d\" %s\n", e.Number, loop)
		s.partition(loop, e)
	}
	s.text.WriteString("losetup -d \"$loop\"\n")
	s.sector(at)
	return at
}

func formatOf(image twin.Image) string {
	if image.QCOW2 {
		return "qcow2"
	}
	return "raw"
}
