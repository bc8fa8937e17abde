host "larch" {}
guest "a" {
  disk "system" {
    image = "/srv/images/a.qcow2"
    bus   = "ide" # want "bus cannot be \"ide\"\nIt can be \"virtio\", \"scsi\" or \"sata\""
  }
}
