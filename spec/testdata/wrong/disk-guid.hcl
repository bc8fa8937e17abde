host "larch" {}
guest "a" {
  disk "one" {
    block = partition("4f1c0c52-9a0e-4c6e-8f0a-5c1f2f0e7a1") # want "block is not usable\nA partition's id has 32 hexadecimal digits"
    bus   = "scsi"
  }
  disk "two" {
    block = partition("00000000-0000-0000-0000-000000000000") # want "block is not usable\nAn id of zeros"
    bus   = "scsi"
  }
}
