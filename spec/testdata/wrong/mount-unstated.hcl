host "larch" {}
controller "reel" {
  nvme { serial = "RL-4410-0073" }
  drive {
    partition "shelf" { size = rest() }
  }
  return {
    mount "shelfs" { at = "/srv/shelf" } # want "mount of an unstated partition \"shelfs\"\n.*states: shelf.\ndid you mean \"shelf\"\\?"
  }
}
