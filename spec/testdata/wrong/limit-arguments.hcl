host "larch" {}
values {
  a = format("%999s%999s%999s%999s", "", "", "", "")
  b = join(value.a, [value.a]) # want "join\\(\\) cannot compute this\nThe arguments hold more than 4096"
}
