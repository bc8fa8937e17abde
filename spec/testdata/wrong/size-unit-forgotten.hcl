host "larch" {}
guest "a" {
  memory { size = 16 } # want "size is too small\n16 bytes are less than 1 MiB.\nsizes are bytes; write gib\\(16\\)"
}
