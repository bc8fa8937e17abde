host "larch" {}
guest "a" {
  disk "system" {
    image = format("/%0999d%0999d%0999d%0999d%0999d", 1, 2, 3, 4, 5) # want "image is not usable\nA path may have 4095 bytes"
    bus   = "sata"
  }
}
