host "larch" {}
values { paths = { images = "/srv/images" } }
guest "a" {
  disk "system" {
    image = value.paths.image # want "there is no part \"image\"\nThere are: images.\ndid you mean images"
    bus   = "scsi"
  }
}
