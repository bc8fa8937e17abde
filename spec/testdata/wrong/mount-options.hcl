host "larch" {}
controller "reel" {
  nvme { serial = "RL-4410-0073" }
  drive {
    partition "shelf" { size = rest() }
  }
  return {
    mount "shelf" {
      at      = "/srv/shelf"
      options = ["noatime,nodev", "noexec"] # want "options: \"noatime,nodev\" is not usable\nState one option an element"
    }
  }
}
