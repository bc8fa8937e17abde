host "larch" {}
guest "a" {
  system # want "system states nothing"
}
