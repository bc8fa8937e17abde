host "larch" {}
guest "a" {
  disk "system" {
    image = "/srv/images/a.qcow2"
    block = partition("4f1c0c52-9a0e-4c6e-8f0a-5c1f2f0e7a11") # want "disk has both image and block"
    bus   = "scsi"
  }
}
