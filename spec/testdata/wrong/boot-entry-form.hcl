host "larch" {}
controller "reel" {
  nvme { serial = "RL-4410-0073" }
}
guest "a" {
  borrows    = [controller.reel]
  boots      = controller.reel
  boot_entry = "/EFI/BOOT/BOOTX64.EFI" # want "boot_entry is not usable\n.*each is written twice"
}
guest "b" {
  borrows    = [controller.reel]
  boots      = controller.reel
  boot_entry = "EFI\\BOOT\\BOOTX64.EFI" # want "boot_entry is not usable\n.*does not begin with a backslash"
}
guest "c" {
  borrows    = [controller.reel]
  boots      = controller.reel
  boot_entry = "\\EFI\\own\\" # want "boot_entry is not usable\n.*ends with .efi"
}
guest "d" {
  borrows    = [controller.reel]
  boots      = controller.reel
  boot_entry = "\\EFI\\..\\start.efi" # want "boot_entry is not usable\n.*shortest form"
}
guest "e" {
  borrows    = [controller.reel]
  boots      = controller.reel
  boot_entry = "\\EFI\\start*.efi" # want "boot_entry is not usable\n.*has '\\*' in it"
}
