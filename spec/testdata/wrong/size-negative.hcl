host "larch" {}
guest "a" {
  memory { size = gib(-1) } # want "size is too small\n-1073741824 bytes are less than 1 MiB"
}
