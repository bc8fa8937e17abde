host "larch" {}
values { a = [value.a] } # want "in a circle\nvalue.a needs value.a"
