host "larch" {}
guest "a" {
  cpu { count = 4 / } # want "\"}\" cannot stand here\nA layout consists of blocks"
}
