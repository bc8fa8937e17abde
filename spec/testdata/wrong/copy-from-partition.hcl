host "larch" {}
controller "reel" {
  nvme { serial = "RL-4410-0073" }
}
guest "a" {
  disk "system" {
    block     = partition("4f1c0c52-9a0e-4c6e-8f0a-5c1f2f0e7a11")
    bus       = "virtio"
    copy_from = controller.reel # want "copy_from makes an image, not a partition"
  }
}
