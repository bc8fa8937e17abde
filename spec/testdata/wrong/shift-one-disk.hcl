host "larch" {}
guest "a" {
  disk "system" {
    image = "/srv/images/a.qcow2"
    bus   = "virtio"
  }
}
guest "b" {
  disk "system" { # want "two disks of a shift are the same\nIn the shift \"day\" it is a disk of guest.a too"
    image = "/srv/images/a.qcow2"
    bus   = "virtio"
  }
}
shift "day" { guests = [guest.a, guest.b] }
