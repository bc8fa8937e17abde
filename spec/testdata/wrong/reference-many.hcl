host "larch" {}
guest "a1" {}
guest "a2" {}
guest "a3" {}
guest "a4" {}
guest "a5" {}
guest "a6" {}
guest "a7" {}
guest "a8" {}
guest "b.9" {}
guest "b.10" {}
shift "day" {
  guests = [
    guest,         # want "guest needs a name"
    guest["b.99"], # want "there is no guest \"b.99\"\nThere are: a1, a2, a3, a4, a5, a6, a7, a8 and 2 more.\ndid you mean guest\\[\"b.9\"\\]\\?"
    guest[0],      # want "guest needs a name"
    guest.a1,
  ]
}
