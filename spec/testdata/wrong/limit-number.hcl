host "larch" {}
values { a = 1e999 } # want "number is out of all proportion"
