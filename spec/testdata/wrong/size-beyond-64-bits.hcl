host "larch" {}
guest "a" {
  memory { size = tib(1e30) } # want "size is too large"
}
