host "larch" {
  libvirt = "qemu+ext:///system?command=/tmp/evil" # want "libvirt is not usable\n.*run a program"
}
