host "larch" {}
guest "a" {
  disk "system" {
    block = "/dev/nvme0n1p2" # want "block must be an answer of partition\\(\\)"
    bus   = "scsi"
  }
}
