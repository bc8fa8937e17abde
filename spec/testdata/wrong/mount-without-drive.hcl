host "larch" {}
controller "reel" {
  nvme { serial = "RL-4410-0073" }
  return {
    mount "shelf" { at = "/srv/shelf" } # want "mount of an unstated partition\\b.*\nThe drive of controller.reel states no partition.\nadd partition \"shelf\""
  }
}
