host "larch" {}
controller "reel" {
  nvme { serial = “RL-4410-0073” } # want "curly quotes do not quote a text\n.*U\\+201C.*\nwrite straight double quotes"
}
