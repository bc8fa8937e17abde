host "larch" {}
values { images = "/srv/images" }
guest "a" {
  disk "system" {
    image = "${value.image}/a.qcow2" # want "there is no value \"image\"\n.*\ndid you mean value.images\\?"
    bus   = "scsi"
  }
}
