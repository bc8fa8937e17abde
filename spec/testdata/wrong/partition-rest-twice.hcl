host "larch" {}
controller "reel" {
  nvme { serial = "RL-4410-0073" }
  drive {
    partition "shelf" { size = rest() }
    partition "attic" { size = rest() } # want "two partitions take the rest of a drive\nThe partition \"shelf\" already"
  }
}
