host "larch" {}
guest "a" {
  "system" = "linux" # want "a statement does not begin with a quote\n.*\nwrite system = …"
}
