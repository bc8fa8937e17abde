host "larch" {}
guest "a" {
  network "house" {
    bridge = "br0"
    mac    = 52:54:00:12:34:56 # want "this text has no quotes\n\nwrite \"52:54:00:12:34:56\""
  }
}
