host "larch" {}
guest "a" {
  system = # want "no value stands behind this =\nA value begins on the line of its =."
    "linux"
}
