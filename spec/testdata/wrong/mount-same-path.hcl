host "larch" {}
controller "reel" {
  nvme { serial = "RL-4410-0073" }
  drive {
    partition "shelf" { size = gib(1) }
    partition "attic" { size = gib(1) }
  }
  return {
    mount "shelf" { at = "/srv/shelf" }
    mount "attic" { at = "/srv/shelf" } # want "two mounts on one path\n.*at mount-same-path.hcl:9"
  }
}
