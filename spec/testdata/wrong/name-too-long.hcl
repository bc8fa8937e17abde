host "larch" {}
shift "xxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxx" { # want "shift cannot be named .*\nA name may have 64 bytes"
  guests = []
}
