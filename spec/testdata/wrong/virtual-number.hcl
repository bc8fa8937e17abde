host "larch" {}
controller "card" {
  virtual_functions = 2
  pci {
    vendor = "8086"
    device = "10c9"
  }
}
controller "one" {
  virtual {
    of     = controller.card
    number = 2 # want "there is no virtual function of that number\n.*has 2 by virtual_functions, numbered from 0"
  }
}
controller "two" {
  virtual {
    of     = controller.card
    number = -1 # want "number cannot be -1"
  }
}
controller "three" {
  virtual { # want "virtual needs number"
    of = controller.card
  }
}
