host "larch" {}
controller "reel" {
  nvme { serial = "RL-4410-0073" }
}
guest "a" {
  disk "system" {
    image = "/srv/${controller.reel}" # want "Invalid template interpolation value"
    bus   = "scsi"
  }
}
