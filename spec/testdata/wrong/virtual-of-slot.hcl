host "larch" {}
controller "card" {
  pci { functions = ["8086:10c9", "8086:10c9"] }
}
controller "one" {
  virtual {
    of     = controller.card # want "a whole slot makes no virtual functions"
    number = 0
  }
}
