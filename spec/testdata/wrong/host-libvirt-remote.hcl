host "larch" {
  libvirt = "qemu+ssh://yew/system" # want "libvirt is not usable\n\"yew\" is another host"
}
