host "larch" {}
controller "one" {
  pci {
    vendor        = "8086"
    device        = "10d3"
    device_serial = "52-54-00-ff-ff-12-34-56"
  }
}
controller "two" {
  pci { # want "two controllers can be the same device\n.*8086:10d3.*\nstate the slot, the device_serial, the function or the subsystem of each"
    vendor        = "8086"
    device        = "10d3"
    device_serial = "52-54-00-FF-FF-12-34-56"
  }
}
controller "three" {
  pci {
    vendor        = "8086"
    device        = "10d3"
    device_serial = "52-54-00-ff-ff-12-34-57"
  }
}
