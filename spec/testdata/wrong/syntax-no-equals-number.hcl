host "larch" {}
guest "a" {
  cpu {
    count 4 # want "count lacks its =\n\nwrite count = 4"
  }
}
