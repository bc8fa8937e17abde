host "larch" {}
guest "a" {
  memory { size = gib(1 } # want "this \\( is never closed"
}
