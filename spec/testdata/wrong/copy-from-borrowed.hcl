host "larch" {}
controller "reel" {
  nvme { serial = "RL-4410-0073" }
}
guest "a" {
  borrows = [controller.reel]
  disk "system" {
    image     = "/srv/images/a.qcow2"
    format    = "qcow2"
    bus       = "virtio"
    copy_from = controller.reel # want "guest borrows the drive its disk is made of"
  }
}
