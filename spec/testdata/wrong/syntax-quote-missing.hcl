host "larch" {}
controller "reel" {
  # want-next "this text has no closing quote\\nA text ends on the line"
  nvme { serial = "RL-4410-0073 }
}
guest "grading" {
  borrows = [controller.reel]
  disk "system" {
    image = "/srv/a.qcow2"
    bus   = "virtio"
  }
}
