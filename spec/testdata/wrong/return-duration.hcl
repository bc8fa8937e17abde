host "larch" {}
controller "reel" {
  nvme { serial = "RL-4410-0073" }
  return { within = "30" } # want "\"30\" is not a duration\n\nwrite it as \"90s\" or \"2m\""
}
