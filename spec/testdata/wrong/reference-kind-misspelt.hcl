host "larch" {}
controller "reel" {
  nvme { serial = "RL-4410-0073" }
}
guest "a" {
  borrows = [controler.reel] # want "\"controler\" is not known here\n.*\ndid you mean controller.reel\\?"
}
