host "larch" {
  alarm = [] # want "alarm is empty\n"
}
