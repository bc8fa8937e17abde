host "larch" {}
controller "reel" {
  nvme { serial = "RL-4410-0073  " } # want "serial is not usable\nThe spaces around it are padding"
}
