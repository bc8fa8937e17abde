host "larch" {
  never_lend = [1234] # want "never_lend must be a list of texts\nIt is a number.\nput each element in quotes"
}
