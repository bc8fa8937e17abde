host "larch" {}
controller "reel" {
  nvme { serial = "RL-4410-0073" }
  drive {
    partition "shelf" {
      size   = rest()
      format = "xsf" # want "format cannot be \"xsf\"\nIt can be \"xfs\" or \"ext4\".\ndid you mean \"xfs\"\\?"
    }
  }
}
