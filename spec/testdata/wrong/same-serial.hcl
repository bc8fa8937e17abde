host "larch" {}
controller "reel" {
  nvme { serial = "RL-4410-0073" }
}
controller "spool" {
  nvme { serial = "RL-4410-0073" } # want "two controllers are the same device\ncontroller.reel and controller.spool"
}
