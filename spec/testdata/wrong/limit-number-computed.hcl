host "larch" {}
values {
  a = 1e99
  b = value.a * value.a * value.a * value.a * value.a * value.a
  c = value.b * value.b * value.b * value.b * value.b * value.b
  d = value.c * value.c * value.c * value.c * value.c * value.c # want "value is too large"
  e = "${value.d}"
}
