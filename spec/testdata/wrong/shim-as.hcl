host "larch" {}
controller "reel" {
  nvme { serial = "RL-4410-0073" }
}
shim "start" {
  donor = "/usr/share/OVMF/OVMF_CODE_4M.fd"
  as    = "ROM" # want "as cannot be \"ROM\"\nIt can be \"rom\" or \"disk\".\ndid you mean \"rom\"\\?"
}
guest "a" {
  borrows = [controller.reel]
  boots   = controller.reel
  shim    = shim.start
}
