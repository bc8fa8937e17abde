# Only the first is told: what the parser meets after it may follow from it.
host "larch" {}
guest "a" {
  system = # want "no value stands behind this =\n.*\nwrite the value.*\n1 more"
}
guest "b" {
  system "linux"
}
