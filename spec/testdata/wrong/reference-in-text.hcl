host "larch" {}
controller "reel" {
  nvme { serial = "RL-4410-0073" }
}
guest "a" {
  disk "system" {
    image = "/srv/${controller.reel}" # want "this cannot be a part of a text\nIt is a controller."
    bus   = "scsi"
  }
}
