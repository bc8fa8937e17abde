# A number would lose its leading zeros.
host "larch" {}
controller "reel" {
  nvme { serial = 00734410 } # want "serial must be text\nIt is a number.\nput it in quotes"
}
