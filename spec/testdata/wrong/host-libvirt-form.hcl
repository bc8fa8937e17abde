host "larch" {
  libvirt = "system" # want "libvirt is not usable\n.*qemu:///system"
}
