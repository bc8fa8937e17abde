host "larch" {}
guest "catalogue" {
  system = "linux"
  system = "windows" # want "second system in one block\nThe first one is at attribute-twice.hcl:3"
}
