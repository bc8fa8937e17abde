host "larch" {}
guest "a" {
  memory { size = 512 MiB } # want "\"512 MiB\" is no number\n.*\nwrite mib\\(512\\)"
}
