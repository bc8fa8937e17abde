host "larch" {}
controller "the reel" { # want "controller cannot be named .*\nA name has letters, digits"
  nvme { serial = "RL-4410-0073" }
}
