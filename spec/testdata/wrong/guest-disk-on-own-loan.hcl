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
guest "grading" {
  borrows  = [controller.reel]
  firmware = "/srv/shelf/OVMF.fd" # want "guest needs a file on a drive it borrows\n/srv/shelf/OVMF.fd is on /srv/shelf"
  disk "games" {
    image = "/srv/shelf/games.qcow2" # want "guest needs a file on a drive it borrows\n/srv/shelf/games.qcow2 is on /srv/shelf, which is gone while the guest \"grading\" has controller.reel"
    bus   = "virtio"
  }
}
shift "day" { guests = [guest.grading] } # said at the guest, not here
