host "larch" {}
guest "a" {
  system = linux # want "\"linux\" is not known here\n.*\nif it is meant as text, put it in quotes: \"linux\""
}
