host "larch" {}
guest "catalogue" {
  sytem = "linux" # want "guest has no attribute sytem\n(.*\n)+did you mean system\\?"
}
