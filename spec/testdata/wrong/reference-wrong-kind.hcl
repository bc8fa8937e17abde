host "larch" {}
controller "reel" {
  nvme { serial = "RL-4410-0073" }
}
guest "b" {}
guest "a" {
  borrows = [guest.b] # want "borrows takes a controller\nThis is a guest.\nwrite a reference, as controller.reel"
}
