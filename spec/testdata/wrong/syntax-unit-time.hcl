host "larch" {}
guest "a" {
  stop { within = 90s } # want "\"90s\" is no number\n.*\nwrite \"90s\""
}
