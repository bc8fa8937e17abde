host "larch" {}
controller "reel" {
  nvme { serial = "RL-4410-0073" }
}
guest "a" {
  borrows = controller.reel # want "borrows must be a list of controllers\nIt is a controller.\nwrite it in brackets"
}
