package parts

import (
	"slices"

	"lendkeep/reconcile/twin"
)

// EachBoot has a machine in which Script was run stand, after another boot, as it does
// by what a host's own files say of that (crypttab, fstab, LVM's and md's rules): what
// is built on drives is opened and mounted, guests are started that libvirt shall
// start. Nothing is made. What is no longer there is passed over; what was on VFIO is
// with its driver, since nothing is known of what would have bound it.
func EachBoot(m twin.Machine) string {
	s := begun(m)
	s.again = true
	s.text.WriteString("set +e\n")
	s.located()
	if slices.ContainsFunc(m.Volumes, func(v twin.Volume) bool { return v.By == twin.ByMD }) {
		s.run("mdadm", "--stop", "--scan", "--quiet") // what udev has assembled by itself has other names
		s.settle()
	}
	s.opened()
	s.drivers(twin.ByNone, twin.ByStub)
	s.text.WriteString(autostart)
	return s.text.String()
}

const (
	stopLibvirt  = "pkill -x libvirtd\nwhile pgrep -x libvirtd >/dev/null; do sleep 0.1; done\n"
	startLibvirt = "libvirtd -d\nuntil virsh -q list >/dev/null 2>&1; do sleep 0.2; done\n"
	// RestartLibvirt starts libvirt anew in a machine; guests run on.
	RestartLibvirt = stopLibvirt + startLibvirt
)

// autostart has libvirt look once more for guests to start: it came up before what
// they live on was mounted. By that file it knows that it has looked (libvirt,
// virDriverShouldAutostart; from memory).
const autostart = `if [ -n "$(virsh -q list --all --autostart --name)" ]; then
` + stopLibvirt + "rm -f /run/libvirt/qemu/autostarted\n" + startLibvirt + `fi
exit 0
`

// activated opens a volume that was made, and gives its device.
func (s *script) activated(v twin.Volume, on []string) (device string) {
	switch v.By {
	case twin.ByLVM:
		s.run("lvchange", "-qq", "-ay", v.Group+"/"+v.Name)
	case twin.ByMD:
		s.run(append([]string{"mdadm", "--assemble", "--run", "--quiet", "/dev/" + v.Name}, on...)...)
	case twin.ByLUKS, twin.ByLoop:
		s.open(v, on)
	}
	return deviceOf(v)
}
