host "larch" {}
controller "reel" {
  nvme { serial = "RL-4410-0073" }
}
guest "a" {
  firmware   = "bios"
  borrows    = [controller.reel]
  boots      = controller.reel
  boot_entry = "\\EFI\\BOOT\\BOOTX64.EFI" # want "guest has a boot_entry and BIOS\n.*\nstate firmware"
}
