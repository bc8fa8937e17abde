# The mistake in borrows is not said again of boots.
host "larch" {}
controller "reel" {
  nvme { serial = "RL-4410-0073" }
}
guest "a" {
  borrows = [controller.rele] # want "there is no controller \"rele\"\n.*\ndid you mean controller.reel\\?"
  boots   = controller.reel
}
