host "larch" # want "this block has no \\{ … \\}"
guest "a" {}
