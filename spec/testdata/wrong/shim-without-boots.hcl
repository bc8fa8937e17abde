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
  shim    = shim.start # want "guest has a shim but boots from no controller"
}
