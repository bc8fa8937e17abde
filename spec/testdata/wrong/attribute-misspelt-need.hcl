# Said once, not also as missing.
host "larch" {}
controller "reel" {
  nvme { seriel = "RL-4410-0073" } # want "nvme has no attribute seriel\n(.*\n)+did you mean serial\\?"
}
