host "larch" {}
guest "a" {
  boot_entry = "\\EFI\\BOOT\\BOOTX64.EFI" # want "guest has a boot_entry but boots from no controller\n.*\nadd boots"
}
