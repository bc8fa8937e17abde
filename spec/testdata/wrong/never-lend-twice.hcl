host "larch" {
  never_lend = [
    "SYS-0001",
    "SYS-0002",
    "SYS-0001", # want "never_lend names \"SYS-0001\" twice"
  ]
}
