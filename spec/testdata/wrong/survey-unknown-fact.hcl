host "larch" {}
guest "a" {
  cpu { count = survey.cpu } # want "there is no survey \"cpu\"\nThere are: cpus, host, memory.\ndid you mean survey.cpus\\?"
}
