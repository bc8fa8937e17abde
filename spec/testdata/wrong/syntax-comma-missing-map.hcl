host "larch" {}
values {
  a = { x = 1 y = 2 } # want "a comma is missing before this\nOf a map"
}
