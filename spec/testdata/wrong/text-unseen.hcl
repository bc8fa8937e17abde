host "larch" {}
guest "a" {
  disk "system" {
    image = "/srv/a\u200bb.qcow2" # want "image is not usable\nIt holds characters that cannot be seen"
    bus   = "sata"
  }
}
