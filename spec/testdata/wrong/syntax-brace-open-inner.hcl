host "larch" {}
controller "reel" {
  nvme { # want "this \\{ is never closed\n.*\nwrite \\} where it ends"
    serial = "RL-1"
  return {
    within = "30s"
  }
}
guest "a" {
  system = "linux"
}
