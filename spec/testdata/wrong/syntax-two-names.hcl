host "larch" {}
guest "a" {
  cpu count = 4 # want "two names stand before this =\n.*\nwrite cpu \\{ … \\}, and count = … in it"
}
