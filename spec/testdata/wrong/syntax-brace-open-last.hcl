host "larch" {}
guest "a" {
  memory { # want "this \\{ is never closed"
    size = gib(1)
