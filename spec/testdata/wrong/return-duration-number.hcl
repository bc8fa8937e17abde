host "larch" {}
controller "reel" {
  nvme { serial = "RL-4410-0073" }
  return { within = 30 } # want "within must be a duration\nIt is a number.\nwrite it as"
}
