host "larch" {}
guest "catalogue" {
  discs "system" {} # want "guest holds no block discs\n(.*\n)+did you mean disk\\?"
}
