host "larch" {}
guest "a" {
  cpu { count = 0x10 } # want "\"0x10\" is no number"
}
