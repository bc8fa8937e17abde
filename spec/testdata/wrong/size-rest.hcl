host "larch" {}
guest "a" {
  memory { size = rest() } # want "size must be a number of bytes\nIt is an answer of rest\\(\\)"
}
