host "larch" {}
guest "a" = { # want "a block has no ="
  system = "linux"
}
