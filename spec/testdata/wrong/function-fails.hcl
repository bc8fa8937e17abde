host "larch" {}
guest "a" {
  memory { size = [gib(1)][3] } # want "there is no part 3\nThe list has 1 element, counted from 0"
}
guest "b" {
  memory { size = element([], 0) } # want "element\\(\\) cannot compute this\nIt is given a list of 0 elements, the number 0.\nwrite element\\(LIST, INDEX\\)"
}
