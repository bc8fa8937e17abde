host "larch" {}
values { paths = { images = "/srv/images" } }
guest "a" {
  disk "system" {
    image = value.paths.image # want "Unsupported attribute"
    bus   = "scsi"
  }
}
