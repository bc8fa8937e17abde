host "larch" {}
values {
  paths = { images = "/srv" }
  a     = value.paths["image"] # want "there is no part \"image\"\nThere are: images.\ndid you mean images\\?"
}
