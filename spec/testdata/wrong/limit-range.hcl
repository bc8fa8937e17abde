host "larch" {}
values { a = range(1000000) } # want "range\\(\\) cannot compute this\nIt is given the number 1000000"
