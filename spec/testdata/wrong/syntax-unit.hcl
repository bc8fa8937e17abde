host "larch" {}
guest "a" {
  memory { size = 16G } # want "\"16G\" is no number\nSizes are bytes; units are functions.\nwrite gib\\(16\\)"
}
