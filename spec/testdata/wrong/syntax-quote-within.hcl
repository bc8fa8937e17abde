host "larch" {}
controller "reel" {
  nvme { serial = "RL "4410"" } # want "quotes do not pair up here\n.*\nsee that each text has"
}
