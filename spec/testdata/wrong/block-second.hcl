host "larch" {}
guest "catalogue" {
  memory { size = gib(1) }
  memory { size = gib(2) } # want "second memory in one guest\nThe first one is at block-second.hcl:3"
}
