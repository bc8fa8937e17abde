host "larch" {}
controller "card" {
  pci {
    vendor = "0x8086" # want "vendor is not usable\nA PCI number has four hexadecimal digits"
    device = 1003     # want "device must be text"
    slot   = "3/1"    # want "slot is not usable"
    device_serial = "0071" # want "device_serial is not usable\nA device serial number has eight pairs"
  }
}
