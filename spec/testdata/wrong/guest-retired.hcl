host "larch" {}
guest "a" {
  retired = "true" # want "retired must be true or false\nIt is text"
}
