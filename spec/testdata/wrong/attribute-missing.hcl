host "larch" {}
guest "catalogue" {
  cpu {} # want "cpu needs count\nThe cpu of guest \"catalogue\" does not state it."
}
