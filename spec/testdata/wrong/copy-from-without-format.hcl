host "larch" {}
controller "reel" {
  nvme { serial = "RL-4410-0073" }
}
guest "a" {
  disk "system" {
    image     = "/srv/images/a.qcow2"
    bus       = "virtio"
    copy_from = controller.reel # want "copy_from needs a format\n.*\nadd format"
  }
}
