host "larch" {}
guest "a" { # want "Unclosed configuration block"
  system = "linux"
