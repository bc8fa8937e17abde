host "larch" {}
guest "a" {
  memory { size = tib(10000000) } # want "size is too large\nNo size reaches 8 EiB"
}
