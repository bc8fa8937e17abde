host "larch" {}
guest "a" {
  memory { size = gib() } # want "Not enough function arguments"
}
guest "b" {
  memory { size = gib("much") } # want "Invalid function argument"
}
