host "larch" {}
guest "a" {
  system = "linux" firmware = "bios" # want "a second statement stands on this line"
}
