host "larch" {}
guest "a" {
  system = "window" # want "system cannot be \"window\"\nIt can be \"windows\" or \"linux\".\ndid you mean \"windows\"\\?"
}
