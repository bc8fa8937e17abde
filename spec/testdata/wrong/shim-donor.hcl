host "larch" {}
controller "reel" {
  nvme { serial = "RL-4410-0073" }
}
shim "start" {
  donor = "OVMF_CODE_4M.fd" # want "donor is not usable\n.*relative"
  as    = "rom"
}
guest "a" {
  borrows = [controller.reel]
  boots   = controller.reel
  shim    = shim.start
}
