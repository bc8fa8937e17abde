host "larch" {}
guest "a" {
  memory { size = gib(1) + 512 } # want "size is not a multiple of 1024 bytes\n.*1073741824"
}
