host "larch" {}
guest "a" {
  memory { size = gib() } # want "gib\\(\\) takes 1 argument\nHere it has 0.\nwrite gib\\(NUMBER\\)"
}
guest "b" {
  memory { size = gib("much") } # want "gib\\(\\) takes a number here\nThis is the text \"much\"."
}
