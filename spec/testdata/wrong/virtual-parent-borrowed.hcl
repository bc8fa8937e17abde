host "larch" {}
controller "card" {
  virtual_functions = 2
  pci {
    vendor = "8086"
    device = "10c9"
  }
}
controller "reel" {
  nvme { serial = "RL-4410-0073" }
}
controller "one" {
  virtual {
    of     = controller.reel
    number = 0
  }
}
guest "grading" {
  borrows = [
    controller.card, # want "guest borrows what makes virtual functions\nIt has virtual_functions"
    controller.reel, # want "guest borrows what makes virtual functions\nThe controller .one. is a virtual function of it"
    controller.one,
  ]
}
