host "larch" {}
guest "a" {
  system "linux" # want "system lacks its =\n\nwrite system = \"linux\""
}
