host "larch" {}
guest "a" {
  system => "linux" # want "\"=>\" cannot stand between"
}
