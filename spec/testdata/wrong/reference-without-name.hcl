host "larch" {}
guest "a" {
  boots = controller # want "controller needs a name\n.*\nwrite controller.NAME"
}
