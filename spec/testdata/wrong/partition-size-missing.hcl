host "larch" {}
controller "reel" {
  nvme { serial = "RL-4410-0073" }
  drive {
    partition "shelf" {} # want "partition needs size\nThe partition \"shelf\" of controller \"reel\""
  }
}
