host "larch" {}
guest "a" {
  memory { size = gib(1) } } # want "this \\} closes a block of several lines\n.*\n.*if it is one too many"
