host "larch" {}
values {
  a = mib(floor(3) # want "this \\( is never closed"
  b = 1
}
