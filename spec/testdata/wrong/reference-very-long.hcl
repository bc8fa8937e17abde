# Too long to be told apart by eye, so nothing is suggested.
host "larch" {}
guest "xxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxy" {}
shift "day" { guests = [guest.x] } # want "there is no guest \"x\"\n.*\n$"
