host "larch" {}
values {
  a = survey.cpus > 4 and survey.memory > gib(4) # want "\"and\" is no operator\n\nwrite &&"
}
