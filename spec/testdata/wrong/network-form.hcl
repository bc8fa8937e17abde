host "larch" {}
guest "a" {
  network "one" {
    bridge = "a-bridge-with-a-name" # want "bridge is not usable\nAn interface has up to 15 characters"
    model  = "Virtio"               # want "model is not usable"
    mac    = "52-54-00-12-34-56"    # want "mac is not usable\nA MAC address has six pairs"
  }
  network "two" {
    bridge = "br0"
    mac    = "53:54:00:12:34:56" # want "mac is not usable\nIt is a group address"
  }
  network "three" {
    bridge = "br0"
    mac    = "00:00:00:00:00:00" # want "mac is not usable\nAn address of zeros is none"
  }
}
