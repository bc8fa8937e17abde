host "larch" {}
guest "a" {
  memory { size = frobnicate(1) } # want "there is no function frobnicate\\(\\)\n\nfunctions: abs, ceil"
}
