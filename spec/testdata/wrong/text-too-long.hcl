host "larch" {}
guest "a" {
  network "house" { network = format("%999s", "x") } # want "network is not usable\nLibvirt wants no white space"
}
guest "b" {
  network "house" { network = format("%0300d", 1) } # want "network is not usable\nIt may have 255 bytes"
}
