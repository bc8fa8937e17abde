host "larch" {
  never_lend = ["RL-1"; "RL-2"] # want "\";\" separates nothing"
}
