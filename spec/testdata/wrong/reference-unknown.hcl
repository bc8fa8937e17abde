host "larch" {}
controller "reel" {
  nvme { serial = "RL-4410-0073" }
}
controller "real" {
  nvme { serial = "RL-4410-0088" }
}
guest "a" {
  borrows = [
    controller.reel,
    controller.reed, # want "there is no controller \"reed\"\nThere are: reel, real.\ndid you mean controller.real\\?"
  ]
}
