host "larch" {}
guest "a" {
  memory { size = [gib(1)][3] } # want "Invalid index"
}
guest "b" {
  memory { size = element([], 0) } # want "element\\(\\) cannot compute this"
}
