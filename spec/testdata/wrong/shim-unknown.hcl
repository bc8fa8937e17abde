# Which shim was meant is not known, so none is called unused.
host "larch" {}
controller "reel" {
  nvme { serial = "RL-4410-0073" }
}
shim "start" {
  donor = "/usr/share/OVMF/OVMF_CODE_4M.fd"
  as    = "rom"
}
guest "a" {
  borrows = [controller.reel]
  boots   = controller.reel
  shim    = shim.strat # want "there is no shim \"strat\"\n.*\ndid you mean shim.start\\?"
}
