host "larch" {}
values {
  paths { # want "values holds no blocks\n\nwrite paths = { … }, read as value.paths"
    images = "/srv/images"
  }
}
