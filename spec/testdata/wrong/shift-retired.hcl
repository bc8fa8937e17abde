host "larch" {}
guest "a" { retired = true }
shift "day" { guests = [guest.a] } # want "shift needs a retired guest\n.*at shift-retired.hcl:2"
