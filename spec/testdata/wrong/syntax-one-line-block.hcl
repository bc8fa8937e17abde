host "larch" {}
controller "a" { nvme { serial = "RL-1" } } # want "a block on one line holds one attribute\n.*holds no other block"
