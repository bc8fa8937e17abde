host "larch" {}
controller "reel" {
  nvme { serial = "RL-4410-0073" }
  return { within = "2400h" } # want "within cannot be 2400h0m0s"
}
