host "larch" {}
controller "reel" {
  nvme { serial = "RL-4410-0073" }
  return {
    mount { at = "/srv/shelf" } # want "mount needs a name"
  }
}
