host "larch" {}
controller "reel" {
  nvme { serial = "RL-4410-0073" }
}
controller "one" {
  virtual {
    of     = controller.reel
    number = 0
  }
  drive { # want "a virtual function has no drive of its own"
    partition "shelf" { size = gib(1) }
  }
}
