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
guest "grading" { borrows = [controller.reel] }
guest "catalogue" {
  disk "system" {
    image = "/srv/shelf/deep/catalogue.qcow2"
    bus   = "virtio"
  }
}
guest "beside" {
  disk "system" {
    image = "/srv/shelf-too/beside.qcow2"
    bus   = "virtio"
  }
}
shift "day" {
  guests = [
    guest.grading,
    guest.beside,
    guest.catalogue, # want "shift lends a drive that its guest needs\nguest.catalogue needs /srv/shelf/deep/catalogue.qcow2 on /srv/shelf.*while guest.grading has controller.reel"
  ]
}
