host "larch" {}
guest "a" {
  boot_entry = "\EFI\debian\shimx64.efi" # want "a single backslash cannot stand in a text\n.*\nwrite \\\\\\\\ for one backslash"
}
