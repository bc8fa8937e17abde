host "larch" {}
values {
  before = "x"
  enters = value.a
  a      = value.b # want "values refer to each other in a circle\nvalue.a needs value.b needs value.c needs value.a"
  b      = upper(value.c)
  c      = "${value.before}${value.a}"
}
