host "larch" {}
controller "reel" {
  nvme { serial = "RL-4410-0073" }
  drive {
    partition "shelf" { size = rest() }
  }
  return {
    mount "shelf" { at = "/srv/shelf" }
  }
}
guest "a" {
  disk "system" {
    image     = "/srv/shelf/a.qcow2" # want "the image would lie on the drive it is made of"
    format    = "qcow2"
    bus       = "virtio"
    copy_from = controller.reel
  }
}
