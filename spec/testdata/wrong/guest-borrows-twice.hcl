host "larch" {}
controller "reel" {
  nvme { serial = "RL-4410-0073" }
}
guest "a" {
  borrows = [controller.reel, controller.reel] # want "borrows names controller.reel twice"
}
