host "larch" {}
controller "reel" {
  pci { vendor = "1b36" device = "0010" } # want "a block on one line holds one attribute\n.*\nbegin a new line behind its \\{"
}
