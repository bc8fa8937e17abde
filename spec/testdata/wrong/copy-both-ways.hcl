host "larch" {}
controller "reel" {
  nvme { serial = "RL-4410-0073" }
  drive {
    copy_of = image("/srv/images/old.qcow2", "qcow2")
  }
}
guest "a" {
  disk "system" {
    image     = "/srv/images/a.qcow2"
    format    = "qcow2"
    bus       = "virtio"
    copy_from = controller.reel # want "the system moves to this drive and from it"
  }
}
