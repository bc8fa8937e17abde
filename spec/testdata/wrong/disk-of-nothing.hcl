host "larch" {}
guest "a" {
  disk "system" { bus = "scsi" } # want "disk needs image or block"
}
