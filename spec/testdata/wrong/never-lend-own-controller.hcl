host "larch" {
  never_lend = ["RL-4410-0073"]
}
controller "reel" {
  nvme { serial = "RL-4410-0073" } # want "controller is never to be lent\n.*at never-lend-own-controller.hcl:2"
}
