host "larch" {}
controller "reel" {
  nvme { serial = "RL-4410-0073" }
}
guest "a" {
  boots = controller.reel # want "guest boots from what it does not borrow\n.*\nadd controller.reel to borrows"
}
