host "larch" {}
controller "card" {
  pci {
    vendor = "8086"
    device = "10c9"
  }
}
controller "one" {
  nvme { serial = "RL-4410-0073" }
  virtual { # want "controller has two identities"
    of     = controller.card
    number = 1
  }
}
