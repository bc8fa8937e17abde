host "larch" {}
shift "day" {
  guests = [guest.a, # want "this \\[ is never closed"
}
guest "a" {}
