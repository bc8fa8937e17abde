host "larch" {}
controller "card" {
  pci { functions = ["10de:2484", "10de:228b"] }
  drive { # want "a whole slot has no drive"
    partition "shelf" { size = gib(1) }
  }
}
