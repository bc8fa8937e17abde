host "larch" {}
controller "reel" {
  nvme { serial = "RL-4410-0073" }
  drive {
    partition "a-name-longer-than-thirty-six-letters" { # want "partition cannot be named .*\nA GPT partition name has at most 36"
      size = rest()
    }
  }
}
