host "larch" {}
controller "reel" {
  nvme { serial = "RL-4410-0073" }
}
controller "tape" {
  nvme { serial = "RL-4410-0119" }
  drive {
    copy_of = image("/srv/images/a.qcow2", "qcow2")
  }
}
guest "a" {
  disk "system" {
    image     = "/srv/images/a.qcow2"
    format    = "qcow2"
    bus       = "virtio"
    copy_from = controller.reel # want "the image is made by this order and copied by it"
  }
}
