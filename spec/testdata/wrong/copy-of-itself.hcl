host "larch" {}
controller "reel" {
  nvme { serial = "RL-4410-0073" }
  drive {
    copy_of = image("/srv/shelf/grading.qcow2") # want "the image lies on the drive it is copied to"
    partition "shelf" { size = rest() }
  }
  return {
    mount "shelf" { at = "/srv/shelf" }
  }
}
