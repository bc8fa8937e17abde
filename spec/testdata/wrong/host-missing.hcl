# want-whole "layout has no host block"
controller "reel" {
  nvme { serial = "RL-4410-0073" }
}
