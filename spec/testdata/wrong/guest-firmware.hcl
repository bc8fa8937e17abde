host "larch" {}
guest "a" {
  firmware = "efi" # want "firmware cannot be \"efi\"\nIt can be \"uefi\", \"bios\" or the path"
}
