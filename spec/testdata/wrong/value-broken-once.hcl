# What needs a broken value is not reported.
host "larch" {}
values {
  a = uper("x") # want "there is no function uper\\(\\)\n\ndid you mean upper\\(\\)\\?"
  b = value.a
}
guest "a" { system = value.b }
