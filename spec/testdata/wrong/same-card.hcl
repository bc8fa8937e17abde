host "larch" {}
controller "one" {
  pci {
    vendor = "8086"
    device = "10d3"
    slot   = "1"
  }
}
controller "two" {
  pci { # want "two controllers can be the same device\n.*8086:10d3.*\nstate the slot or the device_serial of each"
    vendor = "8086"
    device = "10D3"
  }
}
