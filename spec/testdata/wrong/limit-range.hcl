host "larch" {}
values { a = range(1000000) } # want "range\\(\\) cannot compute this\nMore than 1024 values"
