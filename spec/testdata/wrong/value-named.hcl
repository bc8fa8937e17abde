host "larch" {}
values "paths" { # want "values has no name"
  images = "/srv/images"
}
