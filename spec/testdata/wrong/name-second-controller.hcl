host "larch" {}
controller "reel" {
  nvme { serial = "RL-4410-0073" }
}
controller "reel" { # want "second controller named \"reel\"\nThe first one is at name-second-controller.hcl:2"
  nvme { serial = "RL-4410-0073" }
}
