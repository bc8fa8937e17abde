host "larch" {}
controller "reel" {
  nvme { serial = "RL-4410-0073" }
}
guest "a" {
  borrows = [for c in ["reel"] : c] # want "there are no loops in a layout"
}
