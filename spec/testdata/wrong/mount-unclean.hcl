host "larch" {}
controller "reel" {
  nvme { serial = "RL-4410-0073" }
  drive {
    partition "shelf" { size = rest() }
  }
  return {
    mount "shelf" { at = "/srv//shelf/" } # want "at is not usable\n\"/srv//shelf/\" can be written shorter: \"/srv/shelf\""
  }
}
