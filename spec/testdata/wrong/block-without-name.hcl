host "larch" {}
shift { # want "shift needs a name\n\nwrite shift \"NAME\""
  guests = []
}
