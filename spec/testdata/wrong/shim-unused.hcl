host "larch" {}
shim "start" { # want "no guest uses this shim\n\nadd shim = shim.start"
  donor = "/usr/share/OVMF/OVMF_CODE_4M.fd"
  as    = "rom"
}
