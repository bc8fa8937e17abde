host "larch" {}
controller "reel" {
  nvme { serial = "RL-4410-0073" }
  return { within = "-5s" } # want "within cannot be -5s\nIt can be from 1s to 24h"
}
