host "larch" {}
controller "reel" {
  nvme { serial = "RL-4410-0073-and-more" } # want "serial is not usable\nNVMe leaves 20 characters"
}
