host "larch" {}
guest "a" {
  boot_entry = \EFI\debian # want "\"\\\\\" cannot stand outside of a text"
}
