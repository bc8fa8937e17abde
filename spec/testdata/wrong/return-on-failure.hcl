host "larch" {}
controller "reel" {
  nvme { serial = "RL-4410-0073" }
  return { on_failure = "alert" } # want "on_failure cannot be \"alert\"\nIt can be \"hold\" or \"alarm\""
}
