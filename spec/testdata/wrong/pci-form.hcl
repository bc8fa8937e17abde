host "larch" {}
controller "card" {
  pci {
    vendor = "0x8086" # want "vendor is not usable\nA PCI number has four hexadecimal digits"
    device = 1003     # want "device must be text"
    slot   = "3/1"    # want "slot is not usable"
    subsystem = "1043" # want "subsystem is not usable\nA subsystem has a vendor and a device number"
    function = 8      # want "function cannot be 8"
    device_serial = "0071" # want "device_serial is not usable\nA device serial number has eight pairs"
  }
}
