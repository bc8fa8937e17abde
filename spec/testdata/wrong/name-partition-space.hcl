host "larch" {}
controller "reel" {
  nvme { serial = "RL-4410-0073" }
  drive {
    partition "shelf " { size = rest() } # want "partition cannot be named .*\nA partition's name has no white space"
  }
}
