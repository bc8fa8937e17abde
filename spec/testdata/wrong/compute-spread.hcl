host "larch" {}
values {
  a = concat("x"...) # want "... stands behind a list only"
}
values {
  b = [1]
  c = gib(1, 2, value.b...) # want "gib\\(\\) takes 1 argument\nHere it has 2"
  d = gib([1, 2]...) # want "gib\\(\\) cannot compute this"
}
