host "larch" {}
guest "catalogue" {
  cpu { count = null } # want "count is null"
}
