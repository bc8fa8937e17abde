host "larch" {}
guest "a" {
  borrows = [controller.reel # want "this \\[ is never closed\n.*\nwrite \\] where it ends"
  system = "linux"
}
