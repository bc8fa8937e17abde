host "larch" {}
controller "reel" {
  nvme { serial = "RL-4410-0073" }
  pci { # want "controller has two identities"
    vendor = "1b36"
    device = "0010"
  }
}
