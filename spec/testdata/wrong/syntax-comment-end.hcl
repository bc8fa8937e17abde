host "larch" {}
guests of the day */ # want "\"\\*/\" ends a comment that does not begin"
