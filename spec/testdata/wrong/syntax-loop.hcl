host "larch" {}
values {
  a = [for x [1, 2]] # want "there are no loops in a layout"
}
