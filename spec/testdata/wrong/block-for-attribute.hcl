host "larch" {}
guest "catalogue" {
  boots {} # want "guest holds no block boots\n(.*\n)+boots is an attribute: write boots = …"
}
