host "larch" {}
shift "day" {
  guests = guest.a, guest.b # want "no comma stands between attributes\n.*\n.*write a list in brackets"
}
guest "a" {}
guest "b" {}
