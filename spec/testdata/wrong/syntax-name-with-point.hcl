host "larch" {}
guest "a" {
  memory.size = gib(4) # want "the name of an attribute has no points\n.*\nwrite memory \\{ … \\}"
}
