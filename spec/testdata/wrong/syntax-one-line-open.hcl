host "larch" {}
controller "a" {
  pci { vendor = "8086" # want "a block on one line holds one attribute"
    device = "10d3"
  }
}
