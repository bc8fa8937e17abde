host "larch" {}
values {
  a = (survey.cpus - 2) / (survey.cpus - 2) # want "nothing can be divided by zero"
}
