host "larch" {}
controller "card" {
  pci {
    vendor = "8086"
    device = "2822"
  }
  drive { erase = "WD-0001 " } # want "erase is not usable\nThe spaces around it are padding"
}
