host "larch" {
  never_lend = "SYS-0001" # want "never_lend must be a list of texts\nIt is text.\nwrite it in brackets"
}
