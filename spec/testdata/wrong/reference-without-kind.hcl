host "larch" {}
controller "reel" {
  nvme { serial = "RL-4410-0073" }
}
guest "a" {
  borrows = [reel] # want "\"reel\" is not known here\n.*\ndid you mean controller.reel\\?"
}
