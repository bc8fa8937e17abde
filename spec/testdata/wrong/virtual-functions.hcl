host "larch" {}
controller "card" {
  virtual_functions = 2 # want "a whole slot makes no virtual functions"
  pci { functions = ["8086:10c9", "8086:10c9"] }
}
controller "reel" {
  virtual_functions = 65536 # want "virtual_functions cannot be 65536"
  nvme { serial = "RL-4410-0073" }
}
controller "one" {
  virtual_functions = 0 # want "a virtual function makes no others"
  virtual {
    of     = controller.reel
    number = 0
  }
}
