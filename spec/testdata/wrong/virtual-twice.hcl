host "larch" {}
controller "card" {
  pci {
    vendor = "8086"
    device = "10c9"
  }
}
controller "one" {
  virtual {
    of     = controller.card
    number = 1
  }
}
controller "two" {
  virtual { # want "two controllers are the same device\n.*virtual function 1 of controller.card"
    of     = controller.card
    number = 1
  }
}
