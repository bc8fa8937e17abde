# The inner mount vanishes with the outer drive. On one drive it is fine.
host "larch" {}
controller "reel" {
  nvme { serial = "RL-4410-0073" }
  drive {
    partition "shelf" { size = gib(1) }
    partition "board" { size = gib(1) }
  }
  return {
    mount "shelf" { at = "/srv/shelf" }
    mount "board" { at = "/srv/shelf/board" }
  }
}
controller "spool" {
  nvme { serial = "RL-4410-0088" }
  drive {
    partition "cellar" { size = gib(1) }
    partition "beside" { size = gib(1) }
  }
  return {
    mount "cellar" { at = "/srv/shelf/board/cellar" } # want "mount inside of another drive's mount\ncontroller.reel is mounted on /srv/shelf/board"
    mount "beside" { at = "/srv/shelf-too" }
  }
}
