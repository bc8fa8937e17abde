# The parser goes on after a mistake.
host "larch" {}
guest "a" {
  system = # want "Invalid expression"
}
guest "b" {
  system "linux" # want "Invalid block definition"
}
