host "larch" {}
guest "a" {
  memory { size = kib(2048.0001) } # want "kib\\(\\) cannot compute this\n2048.0001 kib is not a whole number of bytes"
}
