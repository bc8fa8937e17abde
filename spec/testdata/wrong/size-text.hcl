host "larch" {}
guest "a" {
  memory { size = "16G" } # want "size must be a number of bytes\nIt is text.\nsizes are bytes; write gib\\(16\\)"
}
