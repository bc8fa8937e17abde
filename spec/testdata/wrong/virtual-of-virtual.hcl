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
    number = 0
  }
}
controller "two" {
  virtual {
    of     = controller.one # want "a virtual function makes no others"
    number = 0
  }
}
controller "self" {
  virtual {
    of     = controller.self # want "a virtual function makes no others"
    number = 0
  }
}
