host "larch" {}
guest "a" {
  boot_entry = "\\EFI\ubuntu" # want "this backslash names no character"
}
