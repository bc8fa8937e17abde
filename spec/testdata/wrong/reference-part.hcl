host "larch" {}
controller "reel" {
  nvme { serial = "RL-4410-0073" }
}
guest "a" {
  disk "system" {
    image = "/srv/${controller.reel.serial}" # want "controller.reel has no parts to read"
    bus   = "scsi"
  }
}
