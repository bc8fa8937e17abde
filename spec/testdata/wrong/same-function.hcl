host "larch" {}
controller "card" {
  pci {
    functions = ["10de:2484", "10de:228b"]
    slot      = "1"
  }
}
controller "sound" {
  pci { # want "two controllers can be the same device\n.*10de:228b.*\nremove one of them"
    vendor = "10de"
    device = "228b"
    slot   = "1"
  }
}
controller "other" {
  pci {
    functions = ["10de:2489", "10de:228b"]
    slot      = "2"
  }
}
controller "again" {
  pci { functions = ["10de:2489", "10de:228b"] } # want "two controllers can be the same device"
}
controller "third" {
  pci { functions = ["10de:248a", "10de:228c"] }
}
controller "fourth" {
  pci { functions = ["10de:248b", "10de:228c"] }
}
