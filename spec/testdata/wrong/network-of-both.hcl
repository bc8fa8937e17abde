host "larch" {}
guest "a" {
  network "house" {
    bridge  = "br0"
    network = "default" # want "network has both bridge and network"
  }
}
