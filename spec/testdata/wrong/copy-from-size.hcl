host "larch" {}
controller "reel" {
  nvme { serial = "RL-4410-0073" }
}
guest "a" {
  disk "system" {
    image     = "/srv/images/a.qcow2"
    format    = "qcow2"
    bus       = "virtio"
    size      = gib(40) # want "an image with copy_from has its own size"
    copy_from = controller.reel
  }
}
