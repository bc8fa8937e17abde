host "larch" {}
controller "reel" {
  nvme {
    serial = "RL-4410-0073"
    model  = "Spüle" # want "model is not usable\nNVMe allows printable ASCII only"
  }
}
