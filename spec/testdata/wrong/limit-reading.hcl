host "larch" {}
values {
  a = format("%999s%999s%999s%999s", "", "", "", "")
  b = strlen("x") + length([value.a, value.a, value.a, value.a, value.a, value.a, value.a, value.a, value.a, value.a, value.a, value.a, value.a, value.a, value.a, value.a, value.a, value.a]) # want "expression reads too much"
}
