host "larch" {}
controller "reel" {
  # want-next "a quote is missing before this text.*\\n.*\\nwrite \"RL-4410-0073\""
  nvme { serial = RL-4410-0073" }
}
