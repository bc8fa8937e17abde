host "larch" {}
guest "a" {
  network "house" {
    bridge = "br0"
    mac    = "52:54:00:12:34:ab"
  }
}
guest "b" {
  network "house" {
    bridge = "br0"
    mac    = "52:54:00:12:34:AB" # want "two network cards have one MAC address\n.*at network-same-mac.hcl:5"
  }
}
