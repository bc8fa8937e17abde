host "larch" {}
controller "one" {
  pci {
    vendor = "8086"
    device = "10d3"
    slot   = "1"
  }
}
controller "two" {
  pci { # want "two controllers can be the same device\n.*8086:10d3.*\nstate the slot, the device_serial, the function or the subsystem of each"
    vendor = "8086"
    device = "10D3"
  }
}
controller "port0" {
  pci {
    vendor   = "8086"
    device   = "1521"
    function = 0
  }
}
controller "port1" {
  pci {
    vendor   = "8086"
    device   = "1521"
    function = 1
  }
}
controller "one-maker" {
  pci {
    vendor    = "1b21"
    device    = "0612"
    subsystem = "1043:0001"
  }
}
controller "another" {
  pci {
    vendor    = "1b21"
    device    = "0612"
    subsystem = "1043:0002"
  }
}
