host "larch" {}
values {
  a = survey.cpus ? 1 : 2 # want "a condition is true or false\nThis is the number 2"
}
