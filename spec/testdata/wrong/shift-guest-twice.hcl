host "larch" {}
guest "a" {}
shift "day" { guests = [guest.a, guest.a] } # want "guests names guest.a twice"
