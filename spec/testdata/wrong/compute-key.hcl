host "larch" {}
values {
  a = { (null) = 1 } # want "this cannot name a value in"
}
