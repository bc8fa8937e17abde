host "larch" {}
guest "a" {
  cpu { count = 0 } # want "count cannot be 0\nIt can be a whole number from 1 to 4096"
}
guest "b" {
  cpu { count = 1.5 } # want "count cannot be 1.5"
}
guest "c" {
  cpu { count = "4" } # want "count must be a whole number\nIt is text"
}
