host "larch" {}
controller "card" {
  pci {
    vendor = "8086", # want "no comma stands between attributes"
    device = "10d3",
  }
}
