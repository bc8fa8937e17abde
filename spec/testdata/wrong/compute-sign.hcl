host "larch" {}
values {
  a = -"x" # want "this sign cannot stand before this"
}
