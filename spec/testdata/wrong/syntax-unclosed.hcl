host "larch" {}
guest "a" { # want "this \\{ is never closed"
  system = "linux"
