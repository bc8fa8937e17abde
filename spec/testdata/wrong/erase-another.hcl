host "larch" {}
controller "reel" {
  nvme { serial = "RL-4410-0073" }
  drive { erase = "RL-4410-0088" } # want "erase names another drive\n.*\"RL-4410-0073\"; erase says \"RL-4410-0088\""
}
