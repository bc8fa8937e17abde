host "larch" {}
guest "a" {
  disk "system" {
    image = "/dev/nvme0n1" # want "image is not usable\n.*name partitions by GPT id"
    bus   = "scsi"
  }
}
