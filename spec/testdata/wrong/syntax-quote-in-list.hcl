# want-next "quotes do not pair up here"
host "larch" { never_lend = ["RL-1, "RL-2", "RL-3"] }
