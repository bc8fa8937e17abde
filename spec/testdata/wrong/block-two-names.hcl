host "larch" {}
shift "day" "night" { # want "shift has one name only\n\nwrite shift \"day\""
  guests = []
}
