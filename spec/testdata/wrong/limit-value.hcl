host "larch" {}
values {
  a = format("%999s%999s%999s%999s", "", "", "", "")
  b = "${value.a}${value.a}" # want "value is too large"
  c = value.b
}
