host "larch" {}
values {
  l = ["a"]
  a = "of ${value.l}" # want "this cannot be a part of a text\nIt is a list of 1 element"
}
