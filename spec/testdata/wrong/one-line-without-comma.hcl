host "larch" {}
controller "reel" {
  pci { vendor = "1b36" device = "0010" } # want "Invalid single-argument block definition\n.*\na block on one line holds one attribute"
}
