host "larch" {}
guest "catalogue" {
  memory "big" { # want "memory has no name"
    size = gib(1)
  }
}
