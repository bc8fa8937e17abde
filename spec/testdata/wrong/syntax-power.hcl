host "larch" {}
values {
  a = 2 ** 30 # want "\"\\*\\*\" is no operator"
}
