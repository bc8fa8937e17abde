host "larch" {}
values { a = format("%99999999d", 1) } # want "format\\(\\) cannot compute this\nA width may have three digits"
