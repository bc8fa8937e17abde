host "larch" {}
guest "a" {
  system: "linux" # want "\":\" cannot stand between a name and its value\n\nwrite system = …"
}
