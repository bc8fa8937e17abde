host "larch" {}
controller "reel" {
  nvme { serial = 'RL-4410-0073' } # want "\"'\" does not quote a text"
}
