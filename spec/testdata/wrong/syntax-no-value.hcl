host "larch" {}
guest "a" {
  system = # want "no value stands behind this ="
}
