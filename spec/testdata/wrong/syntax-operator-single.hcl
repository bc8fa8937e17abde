host "larch" {}
values {
  a = true & false # want "\"&\" is no operator\n\nwrite &&"
}
