host "larch" {}
controller "tape" {
  nvme { serial = "RL-4410-0119" }
}
controller "reel" {
  nvme { serial = "RL-4410-0073" }
}
guest "a" {
  borrows = ["reel"] # want "borrows takes a controller\nThis is text.\nwrite a reference, as controller.reel"
}
