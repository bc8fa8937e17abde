host "larch" {}
guest "a" {
  disk "system" { image = "/srv/images/a.qcow2" } # want "disk needs bus\nThe disk \"system\" of guest \"a\""
}
