host "larch" {}
guest "a" {
  memory { size = gib(1) + 0.5 } # want "size is not a whole number of bytes"
}
