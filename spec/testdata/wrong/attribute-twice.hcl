host "larch" {}
guest "catalogue" {
  system = "linux"
  system = "windows" # want "Attribute redefined"
}
