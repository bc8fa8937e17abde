# given nothing
host "larch" {}
guest "a" {
  cpu { count = survey.cpus } # want "survey.cpus needs a survey\n.*\npass --survey FILE"
}
