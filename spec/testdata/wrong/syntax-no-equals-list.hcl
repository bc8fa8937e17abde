host "larch" {}
guest "a" {
  borrows [controller.reel] # want "borrows lacks its =\n\nwrite borrows = \\[controller.reel\\]"
}
